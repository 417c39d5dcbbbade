"""Kinds that are recognised and described, but whose files are not listed."""
