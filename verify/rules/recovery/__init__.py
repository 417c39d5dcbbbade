"""Rules about the recovery environment."""
