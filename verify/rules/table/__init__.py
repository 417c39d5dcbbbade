"""Rules about the partition tables: which scheme, whether intact, and what they call the drive."""
