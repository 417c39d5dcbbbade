"""Windows: what its own interfaces and commands answer."""
