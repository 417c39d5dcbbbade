"""What holds for a user and a shop: read from one file and the environment, never written."""
