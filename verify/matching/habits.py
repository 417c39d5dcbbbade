"""What is known of a path's habits: left out of copies, rewritten for the new drive, always moving.

Paths are matched without regard to case, from the root of their partition. In a pattern `*` stands
for a name or any part of one, `?` for one character, and a pattern that ends in `/` for everything
below it.
"""

from __future__ import annotations

import re
from enum import StrEnum
from functools import cache

from verify.matching.exclusions import Excuses, Sort, Volumes, paths_of


class Habit(StrEnum):
    """How a file of that path behaves on a running system."""

    LEFT_OUT = "left out of copies"
    UNSYNCHRONISED = "changes that no server has yet"
    REWRITTEN = "rewritten for the new drive"
    MOVING = "always moving"
    HELD = "held open while the system runs"
    USER = "a person's own"
    SYSTEM = "the system's or a program's"


# SPEC: Microsoft Learn, "Data Deduplication": what was deduplicated lies in the chunk store alone;
# the single-instance store (FilesNotToBackup names it, since its own service backs it up) likewise.
CONTENT_STORES = (
    "/System Volume Information/Dedup/",
    "/SIS Common Store/",
)

# NOTE: the Windows rows are common practice, from memory; the Linux rows file-hierarchy(7).
MOVING = (
    "/Windows/Temp/",
    "/Windows/Prefetch/",
    "/Windows/Logs/",
    "/Windows/Panther/",
    "/Windows/SoftwareDistribution/",
    "/Windows/System32/LogFiles/",
    "/Windows/System32/winevt/",
    "/Windows/System32/sru/",
    "/Windows/System32/wbem/Repository/",
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

_HABITS_BY_PLACE = (
    (Habit.MOVING, MOVING),
    (Habit.HELD, HELD),
    (Habit.USER, USER),
    (Habit.SYSTEM, SYSTEM),
)
_EXCUSED = (
    (Habit.LEFT_OUT, Sort.LEFT_OUT),
    (Habit.UNSYNCHRONISED, Sort.UNSYNCHRONISED),
    (Habit.REWRITTEN, Sort.REWRITTEN),
)


def habit_of(path: str, *, root: bool = False, excuses: Excuses = Excuses.CONTENTS) -> Habit:
    """Return what is known of a path; what stands nowhere in the lists is a person's own.

    The first list that has it decides, and the table of exclusions stands first. `root`: the volume
    is the root of a Linux system, where `/tmp` means what it says. `excuses`: what is to be excused
    by an exclusion, `ABSENCE` or `CONTENTS`.
    """
    if root:
        for habit, pattern in _excused(Volumes.LINUX_ROOT, excuses):
            if pattern.fullmatch(path):
                return habit
    for habit, pattern in _matchers(excuses):
        if pattern.fullmatch(path):
            return habit
    return Habit.USER


@cache
def _matchers(excuses: Excuses) -> tuple[tuple[Habit, re.Pattern[str]], ...]:
    return (
        (Habit.USER, _pattern(CONTENT_STORES)),
        *_excused(Volumes.ANY, excuses),
        *((habit, _pattern(patterns)) for habit, patterns in _HABITS_BY_PLACE),
    )


@cache
def _excused(volumes: Volumes, excuses: Excuses) -> tuple[tuple[Habit, re.Pattern[str]], ...]:
    rows = ((habit, paths_of(sort, volumes=volumes, excuses=excuses)) for habit, sort in _EXCUSED)
    # NOTE: Linux tells case apart, so that /TMP there is somebody's own folder.
    flags = re.IGNORECASE if volumes is Volumes.ANY else re.NOFLAG
    return tuple((habit, _pattern(paths, flags)) for habit, paths in rows if paths)


def _pattern(patterns: tuple[str, ...], flags: re.RegexFlag = re.IGNORECASE) -> re.Pattern[str]:
    return re.compile("|".join(map(expression, patterns)), flags | re.DOTALL)


def expression(pattern: str) -> str:
    """Return a pattern of a path or name as a regular expression."""
    below = ".+" if pattern.endswith("/") else ""
    return re.escape(pattern).replace(r"\*", "[^/]*").replace(r"\?", "[^/]") + below
