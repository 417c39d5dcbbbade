"""The only room that reads a drive: read-only, in bounded windows."""
