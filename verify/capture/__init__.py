"""Filling a manifest: what to read, in which order, hashed how."""
