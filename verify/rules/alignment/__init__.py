"""Rules about where partitions and clusters lie on the new drive's own grid."""
