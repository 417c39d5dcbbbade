"""Rules about the partitions as their table names them: which, where, how large, of what type."""
