"""What is said, and left unsaid, where one partition was compared and not a whole drive."""

from __future__ import annotations

from verify.text.message import say

ONE_PARTITION_ONLY = say("one partition only")
