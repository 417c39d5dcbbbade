"""Rules about each filesystem: its kind, identity, size, state, and what its boot sector says."""
