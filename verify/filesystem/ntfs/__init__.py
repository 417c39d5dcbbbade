"""NTFS: described, listed, its structures read."""
