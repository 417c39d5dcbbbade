"""Contents: what to read, in which order, hashed how. One reader process a filesystem."""
