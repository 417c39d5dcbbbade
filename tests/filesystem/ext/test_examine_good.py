"""Good volumes of every kind give no fault: fresh, filled, used, grown, shrunk, copied in use.

The oracle of goodness is e2fsck -fn, which each volume passes first.
"""

from __future__ import annotations

import os
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.filesystem.ext.making import (
    KERNEL_REFUSES,
    VARIANTS,
    checker,
    examined,
    faults,
    fill,
    make,
    mounted,
    serious,
    snapshot,
)
from tests.filesystem.made import run

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.tools("mke2fs", "e2fsck")

MOUNTABLE = [name for name in VARIANTS if name not in KERNEL_REFUSES]


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make what the volumes are filled from."""
    return fill(tmp_path_factory.mktemp("ext") / "tree")


@pytest.mark.parametrize("variant", VARIANTS)
def test_examination_when_freshly_made_and_filled_then_finds_nothing(
    variant: str, tree: Path, tmp_path: Path
) -> None:
    """Both halves compare something, leave nothing out but what is named, and find no fault."""
    image = make(tree, tmp_path / "volume.img", VARIANTS[variant])
    if "quota" in variant:
        # NOTE: mke2fs counts what the tree takes for nobody; the checker puts that right.
        subprocess.run(["e2fsck", "-fy", image], capture_output=True, check=False)
    assert checker(image)[0] == 0

    found = examined(image)

    assert faults(found) == []
    assert found.structure.compared > 300
    assert found.allocation is not None
    assert found.allocation.compared > 300
    clustered = ("counts of blocks of files: they are kept in clusters",)
    assert found.structure.left_out == (clustered if "bigalloc" in variant else ())


def use(place: Path) -> None:
    """Write, delete, link, set attributes; keep a folder large enough for a tree of hashes."""
    for number in range(700):
        (place / "many" / f"a-further-name-that-is-long-{number:04}").write_bytes(b"n")
    for number in range(0, 300, 3):
        (place / "many" / f"a-name-{number:05}-äöü").unlink()
    for number in range(12):
        os.setxattr(place / f"folder{number}", "user.name", b"v" * 60 * number)
        os.setxattr(place / f"folder{number}/in", "user.other", b"shared" * 50)
    os.setxattr(place / "large", "user.big", b"w" * 700)
    with (place / "holes").open("wb") as file:
        for at in range(0, 600_000, 8192):
            file.seek(at)
            file.write(b"h")
    with (place / "ahead").open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, 300_000)
    (place / "large-again").unlink()


@pytest.mark.root
@pytest.mark.tools("mount")
@pytest.mark.parametrize("variant", MOUNTABLE)
def test_examination_when_used_by_the_kernel_then_finds_nothing(
    variant: str, tree: Path, tmp_path: Path
) -> None:
    """The volume after use, and its copy while an unlinked file is held open in it."""
    image = make(tree, tmp_path / "volume.img", VARIANTS[variant])
    with mounted(image) as place:
        use(place)
        with (place / "held").open("wb") as held:
            held.write(b"x" * 100_000)
            held.flush()
            os.fsync(held.fileno())
            (place / "held").unlink()
            copy = snapshot(image, tmp_path / "copy.img")
    assert checker(image)[0] == 0

    assert serious(examined(image)) == []
    in_use = examined(copy)
    if "ext2" in variant or "no-journal" in variant:
        # NOTE: without a journal the checker finds the file that was open, and so do we.
        assert {fault.place for fault in serious(in_use)} <= lost_inodes(copy)
    else:
        assert serious(in_use) == []
        assert in_use.log_applied


def lost_inodes(image: Path) -> set[str]:
    """What e2fsck names of a volume that was not dismounted."""
    said = checker(image)[1]
    return {"inode", *(f"inode {word.strip('.,')}" for word in said.split() if word[:1].isdigit())}


@pytest.mark.tools("resize2fs")
@pytest.mark.parametrize("variant", ["ext2", "ext3", "ext4", "ext4-meta_bg"])
def test_examination_when_shrunk_and_grown_then_finds_nothing(
    variant: str, tree: Path, tmp_path: Path
) -> None:
    """resize2fs moves blocks, and makes groups that were never used."""
    image = make(tree, tmp_path / "volume.img", VARIANTS[variant], "96M")
    run("e2fsck", "-fp", image)
    for size in ("40M", "90M"):
        subprocess.run(["resize2fs", image, size], check=True, capture_output=True)
        assert serious(examined(image)) == []
