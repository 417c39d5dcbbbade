"""Folders of NTFS that tell names apart by case."""

from __future__ import annotations

import struct
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.support.drives import file_window
from tests.support.images import MIB, run
from verify.filesystem.entry import CASE_SENSITIVE
from verify.filesystem.ntfs.entries import RecordEntries
from verify.filesystem.open import open_volume

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = [pytest.mark.root, pytest.mark.tools("mkntfs", "ntfs-3g", "umount")]

RECORD_BYTES = 1024


def set_version(image: Path, name: str, version: int) -> None:
    """Write the version into $STANDARD_INFORMATION of every record of that name."""
    data = bytearray(image.read_bytes())
    wanted = name.encode("utf-16-le")
    for at in range(0, len(data), RECORD_BYTES):
        record = data[at : at + RECORD_BYTES]
        if record[:4] == b"FILE" and wanted in record:
            first = struct.unpack_from("<H", record, 20)[0]
            value = struct.unpack_from("<H", record, first + 20)[0]
            struct.pack_into("<I", data, at + first + value + 40, version)
    image.write_bytes(data)


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A volume with one such folder, a plain one, and a file that has the same field set."""
    folder = tmp_path_factory.mktemp("volume")
    image, mount = folder / "volume.img", folder / "mount"
    run("truncate", "-s", str(16 * MIB), image)
    run("mkntfs", "-Q", "-F", "-q", image)
    mount.mkdir()
    subprocess.run(["ntfs-3g", image, mount], check=True)
    try:
        for name in ("told apart", "plain"):
            (mount / name).mkdir()
        (mount / "no folder").touch()
    finally:
        subprocess.run(["umount", mount], check=True)
    for name in ("told apart", "no folder"):
        set_version(image, name, 1)
    return image


@pytest.mark.parametrize("bulk", [True, False], ids=["in bulk", "by the library"])
def test_folder_when_it_tells_case_apart_then_its_attributes_say_so(
    image: Path, monkeypatch: pytest.MonkeyPatch, *, bulk: bool
) -> None:
    """The fields by keramics' format documents; both ways to read a record agree."""
    if not bulk:
        monkeypatch.setattr(RecordEntries, "entry", lambda *_: None)
    entries = open_volume(file_window(image), "ntfs").entries()
    told = {entry.path for entry in entries if (entry.attributes or 0) & CASE_SENSITIVE}
    assert told == {"/told apart"}
