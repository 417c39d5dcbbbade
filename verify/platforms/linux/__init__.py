"""Linux: drives and mounts by sysfs and /proc, the firmware's entries by efivarfs."""
