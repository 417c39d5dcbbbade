"""exFAT: described and listed."""
