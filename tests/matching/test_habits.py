"""Which paths copies leave out, which move, and which are a person's own."""

from __future__ import annotations

import pytest

from verify.matching.exclusions import Excuses
from verify.matching.habits import Habit, habit_of

# Source of the rows `LEFT_OUT`: Microsoft Learn, FilesNotToBackup and the default exclusions of
# image capture; file-hierarchy(7). The rest is common practice.
ROWS = [
    ("/pagefile.sys", Habit.LEFT_OUT),
    ("/PAGEFILE.SYS", Habit.LEFT_OUT),
    ("/Users/orla/pagefile.sys", Habit.USER),
    ("/System Volume Information/{3808876b-c176-4e48-b7ae-04046e6cc752}", Habit.LEFT_OUT),
    ("/System Volume Information", Habit.LEFT_OUT),
    ("/System Volume Information Copy", Habit.USER),
    ("/Windows/CSC/v2.0.6", Habit.SYSTEM),
    ("/tmp/taxes.doc", Habit.USER),  # noqa: S108 - a path on a drive
    ("/System Volume Information/Dedup/ChunkStore/x", Habit.USER),
    ("/SIS Common Store/x", Habit.USER),
    ("/EFI/Microsoft/Boot/BCD", Habit.REWRITTEN),
    ("/EFI/Microsoft/Boot/BCD.LOG2", Habit.REWRITTEN),
    ("/EFI/Microsoft/Boot/bootmgfw.efi", Habit.SYSTEM),
    ("/Windows/Prefetch/X.pf", Habit.MOVING),
    ("/Windows/System32/config/SYSTEM", Habit.HELD),
    ("/Windows/System32/config/SYSTEM.LOG1", Habit.MOVING),
    ("/Users/orla/NTUSER.DAT", Habit.HELD),
    ("/Users/orla/ntuser.dat.LOG1", Habit.MOVING),
    ("/Users/orla/AppData/Local/Temp/x", Habit.MOVING),
    ("/Users/orla/AppData/Roaming/Letters/x", Habit.USER),
    ("/Users/orla/Documents/log.txt", Habit.USER),
    ("/Windows/System32/ntoskrnl.exe", Habit.SYSTEM),
    ("/var/log/syslog", Habit.MOVING),
    ("/home/orla/.cache/x", Habit.MOVING),
    ("/home/orla/letters", Habit.USER),
    ("/usr/bin/env", Habit.SYSTEM),
    ("/Customers/ledger.ods", Habit.USER),
    ("/line\nbreak", Habit.USER),
]


@pytest.mark.parametrize(("path", "habit"), ROWS)
def test_habit_when_a_path_is_looked_up_then_the_first_list_that_has_it_decides(
    path: str, habit: Habit
) -> None:
    """Whatever stands in no list is taken for a person's own: nothing is excused by guess."""
    assert habit_of(path) is habit


def test_habit_when_the_volume_is_a_root_of_linux_then_its_emptied_folders_are_left_out() -> None:
    """FHS 3.0, 3.15 and 3.18: /run and /tmp; 5.15: /var/tmp is kept across restarts."""
    for path in ("/tmp/x", "/run/x", "/tmp"):  # noqa: S108 - paths on a drive
        assert habit_of(path, root=True) is Habit.LEFT_OUT
        assert habit_of(path) is Habit.USER
    assert habit_of("/var/tmp/x", root=True) is not Habit.LEFT_OUT  # noqa: S108
    assert habit_of("/home/orla/tmp/x", root=True) is Habit.USER


def test_habit_when_a_row_excuses_absence_alone_then_other_contents_are_not_excused() -> None:
    """FilesNotToBackup names %TEMP% and offline files; a boot store may differ, and not lack."""
    temp, offline = "/Users/orla/AppData/Local/Temp", "/Windows/CSC/v2.0.6"
    assert habit_of(temp, excuses=Excuses.ABSENCE) is Habit.LEFT_OUT
    assert habit_of(f"{temp}/x", excuses=Excuses.ABSENCE) is Habit.LEFT_OUT
    assert habit_of(f"{temp}/x") is Habit.MOVING
    assert habit_of(offline, excuses=Excuses.ABSENCE) is Habit.UNSYNCHRONISED
    assert habit_of("/Boot/BCD", excuses=Excuses.ABSENCE) is not Habit.REWRITTEN
