"""Rules about what a machine starts from."""
