"""Rules about free space: in the volumes, and on the drive outside all partitions."""
