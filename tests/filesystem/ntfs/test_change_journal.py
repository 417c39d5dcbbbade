"""The journal of changes of an NTFS volume: which it is, and how far."""

from __future__ import annotations

import struct
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.filesystem.ntfs.test_change_notes import note, stream
from tests.support.drives import file_window
from tests.support.images import MIB, run
from verify.filesystem.ntfs.listing import NtfsListing

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = [pytest.mark.root, pytest.mark.tools("mkntfs", "ntfs-3g", "umount")]

IDENTIFIER, POSITION = 0x01D9_ABCD_EF01_2345, 5 * 4096
NOTED = 1_700_000_000


def volume(folder: Path, head: bytes | None) -> NtfsListing:
    """Make a volume whose $Extend has such a journal; `None`: none.

    ntfs-3g writes nothing into the real $Extend, so one is made beside it and given its name.
    """
    image, mount = folder / "volume.img", folder / "mount"
    run("truncate", "-s", str(16 * MIB), image)
    run("mkntfs", "-Q", "-F", "-q", image)
    mount.mkdir()
    subprocess.run(["ntfs-3g", image, mount, "-o", "streams_interface=windows"], check=True)
    try:
        place = mount / "AExtend"
        place.mkdir()
        if head is not None:
            (place / "$UsnJrnl").touch()
            (place / "$UsnJrnl:$Max").write_bytes(head)
            (place / "$UsnJrnl:$J").write_bytes(stream(b"", b"", b"", b"", note(4 * 4096, NOTED)))
    finally:
        subprocess.run(["umount", mount], check=True)
    data = image.read_bytes()
    for was, name in (("$Extend", "ZExtend"), ("AExtend", "$Extend")):
        data = data.replace(was.encode("utf-16-le"), name.encode("utf-16-le"))
    image.write_bytes(data)
    return NtfsListing(file_window(image))


def test_journal_when_there_is_one_then_its_identifier_and_position_are_told(
    tmp_path: Path,
) -> None:
    """The fields by libfsntfs's format documents; written by hand, kept by ntfs-3g."""
    head = struct.pack("<4Q", 32 << 20, 8 << 20, IDENTIFIER, 0)
    found = volume(tmp_path, head).change_journal()
    assert found is not None
    assert (found.id, found.position) == (f"{IDENTIFIER:016X}", POSITION)
    assert found.written == NOTED * 10**9


@pytest.mark.parametrize("head", [None, b"", b"short"], ids=["none", "empty", "cut"])
def test_journal_when_it_is_not_whole_then_nothing_is_told(
    head: bytes | None, tmp_path: Path
) -> None:
    """No journal is the ordinary case of a data volume."""
    assert volume(tmp_path, head).change_journal() is None
