"""What is said, and left unsaid, where one partition was compared and not a whole drive."""

from __future__ import annotations

ONE_PARTITION_ONLY = "one partition only"
