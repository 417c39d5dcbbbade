"""Filesystems: recognised and described from their own structures; listed through a library."""
