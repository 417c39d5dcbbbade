"""Pairs of partitions and of files: merged, weighed, and the bound on what was not read."""
