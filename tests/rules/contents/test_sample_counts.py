"""Of a sample that finds damage: how many were read, how many were not, and how to read all."""

from __future__ import annotations

import shlex
from dataclasses import replace

import pytest

from tests.rules.contents.drives import OTHER, TODAY, Side, a_file, judged
from verify.rules.contents.file_content import RULE
from verify.rules.contents.file_missing import RULE as RULE_MISSING
from verify.rules.full_check import full_check
from verify.rules.judge_drives import compare


def sides(bad: int, read: int, of: int, *, later: bool = False) -> tuple[Side, Side]:
    """Return drives of `of` files, of which a sample read `read` and `bad` differ."""
    paths = [f"/Pictures/{number:05}.jpg" for number in range(of)]
    old = [a_file(path) for path in paths[:read]]
    old += [a_file(path, digest=None) for path in paths[read:]]
    new = [a_file(path, digest=OTHER) for path in paths[:bad]] + old[bad:]
    if later:
        for entry in new[:bad]:
            entry.modified = TODAY
    return Side(old, depth="sample"), Side(new, depth="sample")


def test_content_when_a_sample_shows_damage_then_it_says_how_many_it_read() -> None:
    """46 of the 52 that were read, out of 5,200: arithmetic on the rows themselves."""
    found = judged(RULE, *sides(46, 52, 5200)).findings
    said = [str(item.message) for item in found if item.path is None]
    assert said == [
        (
            "46 of the 52 files that were drawn from partition 1 are not as on the old drive;"
            " 5,148 were not drawn."
        )
    ]
    advice = next(item.advice for item in found if item.path is None)
    assert advice == "Read all of them: drivewitness check old new --depth full"


def whole_film() -> tuple[Side, Side]:
    """Return a file of 9 MiB of which every block of 256 KiB was read, and one differs."""
    blocks = [(index, "ab" * 32) for index in range(36)]
    film = a_file("/film.mp4", size=9 << 20, digest=None, blocks=blocks)
    other = replace(film, blocks=[*blocks[:-1], (35, OTHER)])
    return Side([film], depth="sample"), Side([other], depth="sample")


@pytest.mark.parametrize(
    "both",
    [sides(0, 52, 5200), sides(52, 52, 52), sides(5, 52, 5200, later=True), whole_film()],
    ids=["no damage", "all were read", "written later", "all blocks were read"],
)
def test_content_when_a_sample_leaves_no_doubt_then_it_offers_nothing(
    both: tuple[Side, Side],
) -> None:
    """No damage, or nothing left to read, or use of the new drive since."""
    found = judged(RULE, *both).findings
    assert not [item for item in found if "Read all" in item.advice]


def test_content_when_blocks_of_a_large_file_differ_then_it_counts_blocks() -> None:
    """A file of 20 MiB has 80 blocks of 256 KiB, of which two were read."""
    old = a_file("/disk.bin", size=20 << 20, digest=None, blocks=[(3, "ab" * 32), (9, "ab" * 32)])
    new = a_file("/disk.bin", size=20 << 20, digest=None, blocks=[(3, "cd" * 32), (9, "ab" * 32)])
    found = judged(RULE, Side([old], depth="sample"), Side([new], depth="sample")).findings
    said = [str(item.message) for item in found if item.path is None]
    assert said == [
        (
            "1 of the 2 blocks that were drawn from large files of partition 1 is not as on the old"
            " drive; 78 were not drawn."
        )
    ]


@pytest.mark.parametrize(
    "path", ["/dev/sdb", "/home/o k/old disk.img", "it's.img", "$(reboot).img", "a\\b.img"]
)
def test_command_when_a_path_has_signs_of_the_shell_then_the_shell_takes_it_whole(
    path: str,
) -> None:
    """POSIX.1-2017, 2.2 "Quoting", as Python's own reader of it has it."""
    old, new = Side().manifest(path), Side().manifest("new")
    words = shlex.split(full_check(old.header, new.header))
    assert words == ["drivewitness", "check", path, "new", "--depth", "full"]


@pytest.mark.parametrize("path", [r"\\.\PhysicalDrive1", r"C:\images\old.img"])
def test_command_when_a_path_is_of_windows_then_it_is_as_typed_there(path: str) -> None:
    """Its shells know no single quotes, and need none here."""
    old, new = Side().manifest(path), Side().manifest("new")
    assert full_check(old.header, new.header).split()[2] == path


def test_summary_when_findings_ask_for_the_same_then_they_are_one_problem() -> None:
    """Three files with one piece of advice are one problem, in three places."""
    kept = [a_file(f"/kept/{number}") for number in range(30)]
    lost = [a_file(f"/{name}/one.txt") for name in ("a", "b", "c")]
    comparison = compare(
        Side([*kept, *lost]).manifest("old"), Side(kept).manifest("new"), (RULE_MISSING,)
    )
    assert comparison.summary.endswith(": 1 problem found in 3 places.")
    assert len(comparison.findings) == 3
