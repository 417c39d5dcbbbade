"""Before the clone: will it fit, and what must the layout be."""
