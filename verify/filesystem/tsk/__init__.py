"""Volumes read through the library (pytsk3): the second witness, and what is rare."""
