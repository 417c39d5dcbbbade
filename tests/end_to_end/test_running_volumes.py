"""Real volumes, mounted and written to, copied while they run: by ext4 of the kernel and ntfs-3g.

The files are drawn by a seed; what was written after the copy is known by construction.
"""

from __future__ import annotations

import os
import random
import time
from typing import TYPE_CHECKING

import pytest

from tests.end_to_end.checking import check
from tests.matching.running_pairs import NAMES, SYSTEM
from tests.support.images import run

if TYPE_CHECKING:
    from pathlib import Path

FORMS = 25
"""Files of each form before the copy; 300 writes, renames and deletions come after it."""


def write(root: Path, path: str, dice: random.Random) -> None:
    """Write a file of a few kilobytes, too long for a record to hold it."""
    place = root / path.lstrip("/")
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_bytes(dice.randbytes(dice.randrange(3000, 9000)))


def run_on(root: Path, kind: str, dice: random.Random) -> None:
    """Let programs write, rename and delete, and people now and then."""
    machine, work = NAMES[kind]
    for number in range(300):
        form = dice.choice(machine if dice.random() < 0.93 else work)
        path = form.format(n=dice.randrange(5, 60))
        place, what = root / path.lstrip("/"), dice.random()
        if what < 0.2 and place.exists():
            place.unlink()
        elif what < 0.4 and place.exists():
            place.rename(place.with_name(f"moved {number} {place.name}"))
        else:
            write(root, path, dice)


@pytest.mark.root
@pytest.mark.tools("mkfs.ext4", "mkntfs", "ntfs-3g", "fsfreeze", "mount", "umount")
@pytest.mark.parametrize(("kind", "seed"), [("linux", 1), ("windows", 2)])
def test_check_when_a_mounted_volume_was_copied_then_only_a_loss_is_stop(
    kind: str, seed: int, tmp_path: Path
) -> None:
    """Good: no `stop`, one finding on later use. A byte of one letter: `stop`, and named."""
    dice, old, new, root = random.Random(seed), tmp_path / "old", tmp_path / "new", tmp_path / "m"
    root.mkdir()
    old.write_bytes(b"")
    os.truncate(old, 48 << 20)
    if kind == "linux":
        run("mkfs.ext4", "-q", "-F", "-b", "1024", old)
        run("mount", "-o", "loop", old, root)
    else:
        run("mkntfs", "-q", "-F", "-f", old)
        run("ntfs-3g", old, root)
    try:
        for number in range(FORMS):
            for form in (*SYSTEM[kind], *NAMES[kind][0], *NAMES[kind][1]):
                write(root, form.format(n=number), dice)
        os.sync()
        if kind == "linux":
            run("fsfreeze", "-f", root)
        run("cp", "--sparse=always", old, new)
        if kind == "linux":
            run("fsfreeze", "-u", root)
        time.sleep(0.1)
        run_on(root, kind, dice)
        letter = NAMES[kind][1][0].format(n=2)
        contents = (root / letter.lstrip("/")).read_bytes()
    finally:
        run("umount", root)
    good = check(old, new)
    assert [item for item in good.findings if item.level == "stop"] == []
    assert [item.level.value for item in good.findings if item.rule == "source-used-since"] == [
        "review"
    ]
    image = bytearray(new.read_bytes())
    image[image.index(contents[:1024]) + 100] ^= 0xFF
    new.write_bytes(image)
    found = [(item.rule, item.path) for item in check(old, new).findings if item.level == "stop"]
    assert found == [("file-content", letter)]
