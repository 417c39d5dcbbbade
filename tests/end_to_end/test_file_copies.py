"""A copy made file by file is told apart from a clone, and the report says what was lost.

The volumes are filled and copied by ordinary tools through mounts; what `cp` keeps and what it
does not is its manual's.
"""

from __future__ import annotations

import os
import shutil
import struct
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from tests.end_to_end.checking import check, crashed, worst
from tests.support.images import run
from verify.capture.options import CaptureOptions

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = [
    pytest.mark.root,
    pytest.mark.tools(
        "mkfs.ext4", "mkntfs", "ntfs-3g", "mount", "umount", "setcap", "setfacl", "debugfs"
    ),
]

LONG_AGO = 1_600_000_000
FILE_TIME = (LONG_AGO + 11_644_473_600) * 10_000_000
"""The same in steps of 100 ns since 1601 ([MS-DTYP] 2.3.3)."""
UUID = "1da7e0f1-0000-4000-8000-00000000e4f6"


@contextmanager
def mounted(image: Path, kind: str) -> Iterator[Path]:
    """Mount a volume for a while."""
    mount = image.with_suffix(".mount")
    mount.mkdir(exist_ok=True)
    if kind == "ntfs":
        options = "permissions,streams_interface=xattr,compression,efs_raw"
        run("ntfs-3g", "-o", options, image, mount)
    else:
        run("mount", "-o", "loop", image, mount)
    try:
        yield mount
    finally:
        run("umount", mount)


def volume(image: Path, kind: str) -> Path:
    """Make an empty volume, with the same identity each time."""
    image.write_bytes(b"")
    os.truncate(image, 24 << 20)
    if kind == "ntfs":
        run("mkntfs", "-q", "-F", "-Q", image)
    else:
        run("mkfs.ext4", "-q", "-F", "-U", UUID, "-O", "^has_journal", image)
    return image


def fill(mount: Path) -> None:
    """Write what every filesystem here can hold, with times long past."""
    letters = mount / "letters"
    letters.mkdir()
    for number in range(40):
        (letters / f"{number}.txt").write_bytes(b"Dear reader, %d" % number)
    (letters / "large.bin").write_bytes(os.urandom(100_000))
    os.link(letters / "1.txt", letters / "1 again.txt")
    (mount / "owned").write_bytes(b"x")
    os.chown(mount / "owned", 1234, 1234)
    (mount / "shut").write_bytes(b"x")
    (mount / "shut").chmod(0o600)


def fill_ext(mount: Path) -> None:
    """Write what ext alone holds."""
    (mount / "program").write_bytes(b"#!")
    (mount / "program").chmod(0o4755)
    (mount / "capable").write_bytes(b"#!")
    run("setcap", "cap_net_raw+ep", mount / "capable")
    run("setfacl", "-m", "u:1234:r", mount / "shut")
    (mount / "pointer").symlink_to("letters/1.txt")
    with (mount / "holes").open("wb") as file:
        file.truncate(4 << 20)
    (mount / "fixed").write_bytes(b"x")


def fill_ntfs(mount: Path) -> None:
    """Write what NTFS alone holds."""
    (mount / "hidden").write_bytes(b"x")
    os.setxattr(mount / "hidden", "system.ntfs_attrib_be", (0x6).to_bytes(4, "big"))
    (mount / "short").write_bytes(b"x")
    os.setxattr(mount / "short", "system.ntfs_dos_name", b"SHORT~1.TXT")
    (mount / "streams").write_bytes(b"x")
    os.setxattr(mount / "streams", "user.second", b"more")
    packed = mount / "packed"
    packed.mkdir()
    os.setxattr(packed, "system.ntfs_attrib_be", (0x800).to_bytes(4, "big"))
    (packed / "text").write_bytes(b"again and again " * 8_000)
    (mount / "junction").mkdir()
    name = "\\??\\C:\\letters".encode("utf-16-le")
    data = struct.pack("<HHHH", 0, len(name), len(name) + 2, 0) + name + b"\0\0\0\0"
    buffer = struct.pack("<IHH", 0xA0000003, len(data), 0) + data
    os.setxattr(mount / "junction", "system.ntfs_reparse_data", buffer)


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Make an old volume of each kind."""
    made = {}
    for kind, more in (("ext4", fill_ext), ("ntfs", fill_ntfs)):
        made[kind] = volume(tmp_path_factory.mktemp(kind) / "old.img", kind)
        with mounted(made[kind], kind) as mount:
            fill(mount)
            more(mount)
            paths = [path for path in mount.rglob("*") if path.name not in {"junction", "pointer"}]
            for path in paths:
                os.utime(path, (LONG_AGO, LONG_AGO))
                if kind == "ntfs":
                    os.setxattr(path, "system.ntfs_crtime", FILE_TIME.to_bytes(8, "little"))
            names = [f"/{path.relative_to(mount)}" for path in paths]
        if kind == "ext4":
            orders = made[kind].with_suffix(".orders")
            lines = (f'set_inode_field "{name}" crtime @{LONG_AGO}\n' for name in names)
            orders.write_text("".join(lines))
            run("debugfs", "-w", "-f", orders, made[kind])
    return made


def copied(old: Path, kind: str, new: Path, *options: str) -> Path:
    """Copy all files into a fresh volume by `cp`."""
    volume(new, kind)
    with mounted(old, kind) as before, mounted(new, kind) as after:
        names = [name for name in before.iterdir() if name.name not in {"lost+found", "junction"}]
        run("cp", *options, *names, after)
        if kind == "ntfs":
            (after / "junction").mkdir()
    return new


@pytest.mark.parametrize("kind", ["ext4", "ntfs"])
def test_check_when_the_copy_is_byte_for_byte_then_nothing_is_told(
    kind: str, source: dict[str, Path], tmp_path: Path
) -> None:
    """The quiet twin of all below: every mark is there, and the same."""
    copy = shutil.copyfile(source[kind], tmp_path / "new.img")
    comparison = check(source[kind], copy, CaptureOptions(given_as="drive"))
    assert comparison.findings == ()
    assert comparison.verdict == "sound"
    same = {item.rule for item in comparison.outcomes if item.outcome == "same"}
    assert {"file-times", "file-security", "file-links", "file-attributes"} <= same


def test_check_when_ext_was_copied_by_cp_then_what_it_lost_is_told(
    source: dict[str, Path], tmp_path: Path
) -> None:
    """`cp -r` keeps names and contents: no times, no owners, no setuid, no hard links."""
    comparison = check(source["ext4"], copied(source["ext4"], "ext4", tmp_path / "n.img", "-r"))
    found = worst(comparison)
    assert comparison.verdict == "review"
    assert crashed(comparison) == []
    assert {rule: found.get(rule) for rule in ("file-times", "file-security", "file-links")} == {
        "file-times": "review",
        "file-security": "review",
        "file-links": "review",
    }
    told = " ".join(item.message for item in comparison.findings)
    for words in (
        "modification times",
        "owner",
        "access rights",
        "privileges",
        "hard-linked to other",
    ):
        assert words in told, words
    assert len(comparison.findings) <= 12


def test_check_when_ext_was_copied_by_cp_archive_then_its_creation_gives_it_away(
    source: dict[str, Path], tmp_path: Path
) -> None:
    """`cp -a` keeps all that can be set: the creation times it cannot."""
    comparison = check(source["ext4"], copied(source["ext4"], "ext4", tmp_path / "n.img", "-a"))
    found = worst(comparison)
    assert comparison.verdict == "review"
    assert found.get("file-times") == "review"
    assert not found.keys() & {"file-security", "file-links", "file-content", "file-missing"}
    (times,) = [item.message for item in comparison.findings if item.rule == "file-times"]
    assert "creation times" in times


@pytest.mark.parametrize("options", ["-r", "-a"])
def test_check_when_ntfs_was_copied_then_what_it_lost_is_told(
    options: str, source: dict[str, Path], tmp_path: Path
) -> None:
    """Short names, hidden and system attributes, junctions: `cp` knows none of them."""
    comparison = check(source["ntfs"], copied(source["ntfs"], "ntfs", tmp_path / "n.img", options))
    found = worst(comparison)
    assert comparison.verdict == "review"
    assert crashed(comparison) == []
    assert found["file-times"] == found["file-attributes"] == found["file-links"] == "review"
    lost = {item.path for item in comparison.findings if item.rule == "file-attributes"}
    assert {"/short", "/hidden"} <= lost
    links = {item.path for item in comparison.findings if item.rule == "file-links"}
    assert "/junction" in links
    assert ("/letters/1.txt" in links or "/letters/1 again.txt" in links) is (options == "-r")
    streams = [item.path for item in comparison.findings if item.rule == "file-content"]
    assert streams == (["/streams"] if options == "-r" else [])
