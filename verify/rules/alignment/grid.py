"""The grid that a drive works on beneath its sectors: its physical sectors, or its flash pages."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.text.message import say

if TYPE_CHECKING:
    from verify.manifest.header import DriveInfo
    from verify.rules.rule import RuleAnswer

COMMON_GRID_BYTES = 4096
"""The physical sector of advanced-format drives.

SPEC: Microsoft Learn, "Advanced format (4K) disk compatibility update" (512e and 4Kn drives).
"""

_NOT_TOLD = say("the new drive does not report its physical sector size; 4,096 bytes were assumed")
_FLASH = say(
    "flash works in pages of 4,096 bytes or more, whatever sector size it"
    " reports; 4,096 bytes were assumed"
)


def grid_bytes(drive: DriveInfo, answer: RuleAnswer) -> int:
    """Return the bytes a step of the drive's own grid, and say it where that is assumed."""
    told = drive.physical_sector_bytes
    if told is not None and (told >= COMMON_GRID_BYTES or drive.rotational is not False):
        return max(told, drive.sector_bytes)
    answer.assume(_NOT_TOLD if told is None else _FLASH)
    return max(COMMON_GRID_BYTES, drive.sector_bytes)
