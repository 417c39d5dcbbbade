"""What is known of a path's habits: left out of copies, rewritten for the new drive, always moving.

Paths are matched without regard to case, from the root of their partition. In a pattern `*` stands
for a name or any part of one, `?` for one character, and a pattern that ends in `/` for everything
below it.
"""

from __future__ import annotations

import re
from enum import StrEnum
from functools import cache


class Habit(StrEnum):
    """How a file of that path behaves on a running system."""

    LEFT_OUT = "left out of copies"
    REWRITTEN = "rewritten for the new drive"
    MOVING = "always moving"
    HELD = "held open while the system runs"
    USER = "a person's own"
    SYSTEM = "the system's or a program's"


# SPEC: Microsoft Learn, "Registry Keys and Values for Backup and Restore" (FilesNotToBackup),
# "Excluding Files from Shadow Copies", and the default exclusions of Windows' image
# configuration list; the snapshot store's GUID: libvshadow, "VSS format"; FVE2 files: libbde.
LEFT_OUT = (
    "/pagefile.sys",
    "/hiberfil.sys",
    "/swapfile.sys",
    "/$ntfs.log",
    "/System Volume Information",
    "/System Volume Information/",
    "/$Recycle.Bin",
    "/$Recycle.Bin/",
    "/RECYCLER",
    "/RECYCLER/",
    "/RECYCLED",
    "/RECYCLED/",
    "/Windows/CSC",
    "/Windows/CSC/",
    # Linux, common practice: a swap file in the root.
    "/swapfile",
    "/swap.img",
)

# SPEC: file-hierarchy(7): emptied at start, on a filesystem of Linux.
LEFT_OUT_OF_LINUX = (
    "/tmp/",  # noqa: S108 - a path on a drive
    "/run/",
    "/var/tmp/",  # noqa: S108 - a path on a drive
)

# SPEC: Microsoft Learn, "Data Deduplication": what was deduplicated lies in the chunk store alone;
# the single-instance store (FilesNotToBackup names it, since its own service backs it up) likewise.
CONTENT_STORES = (
    "/System Volume Information/Dedup/",
    "/SIS Common Store/",
)

# SPEC: Microsoft Learn, "BCD System Store Settings" and "REAgentC": written anew for a new drive.
REWRITTEN = (
    "/EFI/Microsoft/Boot/BCD",
    "/EFI/Microsoft/Boot/BCD.LOG*",
    "/Boot/BCD",
    "/Boot/BCD.LOG*",
    "/Windows/System32/Recovery/ReAgent.xml",
    "/Recovery/WindowsRE/ReAgent.xml",
)

# NOTE: the Windows rows are common practice, from memory; the Linux rows file-hierarchy(7).
MOVING = (
    "/Windows/Temp/",
    "/Windows/Prefetch/",
    "/Windows/Logs/",
    "/Windows/Panther/",
    "/Windows/SoftwareDistribution/",
    "/Windows/ServiceProfiles/",
    "/Windows/System32/LogFiles/",
    "/Windows/System32/winevt/",
    "/Windows/System32/sru/",
    "/Windows/System32/wbem/Repository/",
    "/Windows/System32/Tasks/",
    "/Windows/appcompat/",
    "/Windows/bootstat.dat",
    "/ProgramData/Microsoft/Diagnosis/",
    "/ProgramData/Microsoft/Search/",
    "/ProgramData/Microsoft/Windows/WER/",
    "/ProgramData/Microsoft/Windows Defender/",
    "/ProgramData/USOShared/",
    "/Windows/System32/config/*.LOG*",
    "/Windows/System32/config/*.blf",
    "/Windows/System32/config/*.regtrans-ms",
    "/Users/*/NTUSER.DAT?*",
    "/Users/*/AppData/Local/Temp/",
    "/Users/*/AppData/Local/Microsoft/Windows/*/",
    "/Users/*/AppData/Local/Microsoft/Windows/UsrClass.dat?*",
    "/Users/*/AppData/Local/CrashDumps/",
    "/var/log/",
    "/var/cache/",
    "/var/lib/systemd/",
    "/home/*/.cache/",
    "/root/.cache/",
)

# NOTE: common practice: registry hives, written in place without a new modification time.
HELD = (
    "/Windows/System32/config/",
    "/Users/*/NTUSER.DAT",
    "/Users/*/AppData/Local/Microsoft/Windows/UsrClass.dat",
)

# NOTE: common practice: where a person's own files stand.
USER = ("/Users/", "/Documents and Settings/", "/home/", "/root/", "/srv/")

# NOTE: common practice: where systems keep what belongs to them.
SYSTEM = (
    "/Windows/",
    "/Program Files*/",
    "/ProgramData/",
    "/Recovery/",
    "/EFI/",
    "/boot/",
    "/usr/",
    "/lib*/",
    "/bin/",
    "/sbin/",
    "/etc/",
    "/opt/",
    "/var/",
)

_HABITS = (
    (Habit.USER, CONTENT_STORES),
    (Habit.LEFT_OUT, LEFT_OUT),
    (Habit.REWRITTEN, REWRITTEN),
    (Habit.MOVING, MOVING),
    (Habit.HELD, HELD),
    (Habit.USER, USER),
    (Habit.SYSTEM, SYSTEM),
)
"""In this order; the first list that has a path decides."""


def habit_of(path: str, *, linux: bool = False) -> Habit:
    """Return what is known of a path; what stands nowhere in the lists is a person's own.

    `linux`: the filesystem is one of Linux (ext), where `/tmp` means what it says.
    """
    if linux and _linux_matcher().fullmatch(path):
        return Habit.LEFT_OUT
    for habit, pattern in _matchers():
        if pattern.fullmatch(path):
            return habit
    return Habit.USER


@cache
def _linux_matcher() -> re.Pattern[str]:
    return re.compile("|".join(map(_expression, LEFT_OUT_OF_LINUX)), re.DOTALL)


@cache
def _matchers() -> tuple[tuple[Habit, re.Pattern[str]], ...]:
    return tuple(
        (habit, re.compile("|".join(map(_expression, patterns)), re.IGNORECASE | re.DOTALL))
        for habit, patterns in _HABITS
    )


def _expression(pattern: str) -> str:
    below = ".+" if pattern.endswith("/") else ""
    return re.escape(pattern).replace(r"\*", "[^/]*").replace(r"\?", "[^/]") + below
