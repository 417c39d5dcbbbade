"""Contents of ext files that need no library: all of them in one piece, from the first block on."""

from __future__ import annotations

import os
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.support.drives import memory_window
from tests.support.images import MIB
from verify.filesystem.ext.listing import ExtListing

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = [pytest.mark.root, pytest.mark.tools("mkfs.ext4", "mkfs.ext2", "mount", "umount")]

BLOCK = 4_096
PLAIN = b"in one piece" * 2_000


@pytest.mark.parametrize("make", ["mkfs.ext4", "mkfs.ext2"])
def test_contents_when_a_part_of_a_file_is_a_hole_then_only_plain_ones_are_straight(
    make: str, tmp_path: Path
) -> None:
    """Written by the system's driver: a hole first, a hole last, room never written."""
    image, mount = tmp_path / "volume.img", tmp_path / "mount"
    image.touch()
    os.truncate(image, 16 * MIB)
    subprocess.run([make, "-q", "-F", "-b", str(BLOCK), image], check=True)
    mount.mkdir()
    subprocess.run(["mount", "-o", "loop", image, mount], check=True)
    try:
        (mount / "plain").write_bytes(PLAIN)
        with (mount / "hole first").open("wb") as file:
            file.seek(2 * BLOCK)
            file.write(PLAIN[:BLOCK])
        (mount / "hole last").write_bytes(PLAIN[:BLOCK])
        os.truncate(mount / "hole last", 5 * BLOCK)
        if make == "mkfs.ext4":
            with (mount / "never written").open("wb") as file:
                os.posix_fallocate(file.fileno(), 0, 5 * BLOCK)
    finally:
        subprocess.run(["umount", mount], check=True)
    window = memory_window(image.read_bytes())
    volume = ExtListing(window)
    files = [entry for entry in volume.entries() if entry.kind == "file"]
    where = {item.path: volume.straight(item.node, item.size) for item in files}
    at = where.pop("/plain")
    assert at is not None
    assert window.read(at, len(PLAIN)) == PLAIN
    assert len(where) == 2 + (make == "mkfs.ext4")
    assert set(where.values()) == {None}
