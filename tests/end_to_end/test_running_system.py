"""A clone of a running system: thousands of its own files moved on, a person's did not.

The volumes are made by `mkfs.ext4 -d` from two folders, so what differs is known by construction.
"""

from __future__ import annotations

import os
import shutil
import time
from typing import TYPE_CHECKING

import pytest

from tests.end_to_end.checking import check, crashed, worst
from tests.support.images import run

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

THEN, LATER = 1_750_000_000, 1_750_100_000
UUID = "1da7e0f1-0000-4000-8000-00000000e4f5"
SYSTEM_FILES, MOVING_FILES, USER_FILES = 2_000, 8_000, 300
MOVED = range(0, SYSTEM_FILES, 50)
"""Two in a hundred of the system's files."""


def system_path(number: int) -> str:
    """Spread the system's files over folders, as systems do."""
    return f"usr/lib/part-{number % 23}/sub-{number % 7}/{number}.so"


def moving_path(number: int) -> str:
    """A log or a cache."""
    return f"var/{('log', 'cache')[number % 2]}/unit-{number % 31}/{number}"


def write(root: Path, paths: Iterable[str], content: bytes, when: int) -> None:
    """Write files with one time."""
    for path in paths:
        place = root / path
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(content)
        os.utime(place, (when, when))


def volume(tree: Path, image: Path) -> Path:
    """Make a volume of a folder."""
    image.write_bytes(b"")
    os.truncate(image, 64 << 20)
    size = ("-b", "1024", "-N", "16000", "-I", "128")
    run("mkfs.ext4", "-q", "-F", "-U", UUID, *size, "-d", tree, image)
    return image


@pytest.fixture(scope="module")
def sides(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Make the volume as it was, and as it is after the system went on running."""
    folder = tmp_path_factory.mktemp("running")
    tree = folder / "tree"
    write(tree, map(system_path, range(SYSTEM_FILES)), b"library", THEN)
    write(tree, map(moving_path, range(MOVING_FILES)), b"line\n", THEN)
    write(tree, (f"home/orla/letters/{n}.txt" for n in range(USER_FILES)), b"Dear", THEN)
    before = volume(tree, folder / "before.img")
    time.sleep(2)  # inodes of 128 bytes keep whole seconds: what is of one second is of one time
    write(tree, map(system_path, MOVED), b"updated", LATER)
    write(tree, map(moving_path, range(MOVING_FILES)), b"line\nmore\n", LATER)
    after = volume(tree, folder / "after.img")
    shutil.rmtree(tree)
    return before, after


@pytest.mark.tools("mkfs.ext4")
@pytest.mark.parametrize("later", ["old", "new"])
def test_check_when_the_system_ran_on_then_it_is_a_handful_of_findings(
    later: str, sides: tuple[Path, Path]
) -> None:
    """Whichever side ran on: no damage, nothing lost, and no wall of text."""
    source, target = sides if later == "new" else sides[::-1]
    comparison = check(source, target)
    assert comparison.verdict in {"sound", "review"}
    assert crashed(comparison) == []
    assert len(comparison.findings) <= 6, [item.message for item in comparison.findings]
    found = worst(comparison)
    rule = "source-used-since" if later == "old" else "target-used-since"
    assert found[rule] == "note"
    used = [item for item in comparison.findings if item.rule == rule]
    assert f"{MOVING_FILES + len(MOVED)} files" in used[0].message
    assert comparison.moments[0].copied is not None


@pytest.mark.tools("mkfs.ext4", "debugfs")
def test_check_when_a_letter_went_lost_among_them_then_it_is_named(
    sides: tuple[Path, Path], tmp_path: Path
) -> None:
    """The twin: one file of a person's, whatever else moved, is a `stop` by its name."""
    target = tmp_path / "target.img"
    shutil.copyfile(sides[1], target)
    run("debugfs", "-w", "-R", "rm /home/orla/letters/7.txt", target)
    comparison = check(sides[0], target)
    assert comparison.verdict == "stop"
    stops = [(item.rule, item.path) for item in comparison.findings if item.level == "stop"]
    assert stops == [("file-missing", "/home/orla/letters/7.txt"), ("file-count", None)]
