"""Examining ext2, ext3 and ext4 as their driver (Linux fs/ext4) and checker (e2fsck) do."""
