"""The archive of jobs: filed whole or not at all, sealed in a chain, searched."""
