"""What several tests share: drives in memory and in files."""
