"""Twenty clones of volumes in use, none `stop`; and twenty with one loss each among thousands.

Real volumes: NTFS by ntfs-3g and ext4 by the kernel, mounted and written to, copied by their used
blocks at a moment or while programs write into their open files. What was written after the copy,
and what was lost, is known by construction. The figures stand in docs/moment.md.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.end_to_end.checking import captured
from tests.end_to_end.running_losses import RENAMED, copied, lose
from tests.end_to_end.running_trees import LINUX, WINDOWS, Tree, copied_five_times, lived
from verify.matching.weigh_by_moment import COPIED_OPEN
from verify.rules.judge_drives import compare

if TYPE_CHECKING:
    from pathlib import Path

    from verify.rules.comparison_document import Comparison

HOUR = 3600
LEAST_INNOCENT = 4_900

WINDOWS_LOSSES = (
    ("missing", "/Users/orla/Documents/letters/letter-{n}.docx"),
    ("zeros", "/Users/bea/NTUSER.DAT"),
    ("folder missing", "/Users/bea/Documents/novel"),
    ("one byte", "/Users/orla/AppData/Local/Temp/~DF{n}.TMP"),
    ("missing", "/Users/bea/Documents/novel/chapter-{renamed}.odt"),
    ("missing", "/Users/orla/AppData/Local/Browser/User Data/Default/Cache/f_{n}"),
    ("one byte", "/Windows/System32/drivers/dev{n}.sys"),
    ("cut", "/Users/bea/Mail/old.pst"),
    ("earlier version", "/Users/orla/Pictures/2026/img-{n}.jpg"),
    ("zeros", "/Projects/bridge/part-{n}.dwg"),
)
LINUX_LOSSES = (
    ("missing", "/home/orla/letters/{n}.odt"),
    ("zeros", "/srv/archive/{n}.pdf"),
    ("folder missing", "/home/bea/thesis"),
    ("one byte", "/var/tmp/part-{n}.tmp"),  # noqa: S108 - a path on a drive
    ("missing", "/home/bea/thesis/chapter-{renamed}.tex"),
    ("missing", "/home/orla/.cache/thumbnails/{n}.png"),
    ("one byte", "/usr/bin/tool-{n}"),
    ("cut", "/home/bea/Mail/INBOX"),
    ("earlier version", "/etc/app/{n}.conf"),
    ("missing", "/var/log/unit-{n}.log"),
)


@pytest.mark.root
@pytest.mark.tools("mkfs.ext4", "mkntfs", "ntfs-3g", "faketime", "fsfreeze", "debugfs", "losetup")
@pytest.mark.parametrize(
    ("tree", "seed", "last", "losses"),
    [
        (WINDOWS, 1, HOUR // 2, WINDOWS_LOSSES[:5]),
        (WINDOWS, 2, 20 * HOUR, WINDOWS_LOSSES[5:]),
        (LINUX, 3, HOUR // 2, LINUX_LOSSES[:5]),
        (LINUX, 4, 20 * HOUR, LINUX_LOSSES[5:]),
    ],
    ids=["windows-half-an-hour", "windows-a-day", "linux-half-an-hour", "linux-a-day"],
)
def test_check_when_volumes_in_use_were_copied_then_losses_alone_are_stop(
    tree: Tree, seed: int, last: int, losses: tuple[tuple[str, str], ...], tmp_path: Path
) -> None:
    """Five copies over three days, each as it is and with one loss: named, and nothing else."""
    life = copied_five_times(tree, seed, tmp_path / "life", last=last)
    old = captured(life.image, tmp_path, "full")
    good, found, lost = [], [], []
    for copy, (what, form) in zip(life.copies, losses, strict=True):
        assert len(copy.since) >= LEAST_INNOCENT
        comparison = compare(old, captured(copy.image, tmp_path, "full"))
        good.append((comparison.verdict, _stops(comparison)))
        path = form.format(n=life.kept_number(form), renamed=RENAMED)
        image = copied(copy.image)
        lose(life, image, what, path)
        found.append(_stops(compare(old, captured(image, tmp_path, "full"))))
        lost.append({life.renamed.get(path, path)})
    assert good == [("review", set())] * 5
    assert found == lost


@pytest.mark.root
@pytest.mark.tools("mkfs.ext4", "mkntfs", "ntfs-3g", "faketime", "blockdev", "losetup")
@pytest.mark.parametrize("tree", [WINDOWS, LINUX], ids=["windows", "linux"])
def test_check_when_open_files_were_torn_then_the_advice_is_to_shut_down(
    tree: Tree, tmp_path: Path
) -> None:
    """Programs wrote into their open files while these were copied, and never again."""
    with lived(tree, 5, tmp_path / "life") as life:
        drives = life.torn_last()
    old, new = (captured(drive, tmp_path, "full") for drive in drives)
    comparison = compare(old, new)
    assert comparison.verdict == "review"
    assert _stops(comparison) == set()
    named = {item.path for item in comparison.findings if item.advice == COPIED_OPEN.advice}
    listed = {row.path for row in comparison.later if row.work}
    assert set(tree.stores) <= named | listed
    assert named | listed <= set(tree.open)
    used = [item.message for item in comparison.findings if item.rule == "source-used-since"]
    assert [f"{len(listed)} databases, mail stores" in message for message in used] == [True]


@pytest.mark.root
@pytest.mark.tools("mkfs.ext4", "mkntfs", "ntfs-3g", "faketime", "blockdev", "losetup")
@pytest.mark.parametrize("tree", [WINDOWS, LINUX], ids=["windows", "linux"])
def test_check_when_names_came_and_went_while_it_was_copied_then_it_is_stop(
    tree: Tree, tmp_path: Path
) -> None:
    """Without a snapshot: folders and records of the copy are of different moments."""
    with lived(tree, 9, tmp_path / "life") as life:
        life.copy(torn=True, between=lambda: life.use(12, 180))
        life.use(60, 2 * HOUR)
        life.end()
    old, new = (captured(side, tmp_path, "full") for side in (life.image, life.copies[0].image))
    comparison = compare(old, new)
    rules = {item.rule for item in comparison.findings if item.level == "stop"}
    assert comparison.verdict == "stop"
    assert rules & {"filesystem-structure", "drive-unreadable"}


def _stops(comparison: Comparison) -> set[str]:
    """Return what forbids wiping by its path; how many files there are goes with it."""
    return {
        item.path or item.message
        for item in comparison.findings
        if item.level == "stop" and item.rule != "file-count"
    }
