"""The only room that opens a drive: read-only, in bounded windows."""
