"""Owner, rights, short names and further attributes, against what the mounted volume says.

The volumes are written and read back by ntfs-3g and by debugfs; the digests are compared only
with each other.
"""

from __future__ import annotations

import os
import struct
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.support.drives import file_window
from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.ext.inodes import ExtInodes
from verify.filesystem.ntfs.security import descriptors, sid_text
from verify.filesystem.open import open_volume

if TYPE_CHECKING:
    from pathlib import Path

    from verify.filesystem.entry import Entry


READ_ONLY, HIDDEN = 0x1, 0x2
PLACE = "\\??\\C:\\visit"


def run(*command: object) -> str:
    """Run a tool; a failure fails the test."""
    words = [str(word) for word in command]
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


def junction() -> bytes:
    """Return a mount point's buffer ([MS-FSCC] 2.1.2.5)."""
    name = PLACE.encode("utf-16-le")
    lengths = struct.pack("<HHHH", 0, len(name), len(name) + 2, 0)
    data = lengths + name + b"\0\0\0\0"
    return struct.pack("<IHH", 0xA0000003, len(data), 0) + data


def acl_of(path: Path) -> bytes:
    """Return a file's descriptor as ntfs-3g resolves it."""
    answer = run("getfattr", "--absolute-names", "-e", "hex", "-n", "system.ntfs_acl", path)
    return bytes.fromhex(answer.split("=0x")[1].strip())


def listed(image: Path, kind: str) -> dict[str, Entry]:
    """List a volume as the tool does."""
    return {item.path: item for item in open_volume(file_window(image), kind).entries()}


NTFS_NAMES = ["plain", "shared", "own rights", "inherits", "read only", "hidden"]


@pytest.fixture(scope="module")
def ntfs(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Entry], dict[str, bytes]]:
    """Write a volume through ntfs-3g; return its listing and each file's descriptor there."""
    folder = tmp_path_factory.mktemp("ntfs")
    image, mount = folder / "volume.img", folder / "mount"
    mount.mkdir()
    image.write_bytes(b"")
    os.truncate(image, 16 << 20)
    run("mkntfs", "-q", "-F", "-Q", image)
    run("ntfs-3g", "-o", "permissions,streams_interface=xattr,compression", image, mount)
    try:
        for name in NTFS_NAMES:
            (mount / name).write_bytes(b"contents " * 500)
            (mount / name).chmod(0o644)
        (mount / "own rights").chmod(0o600)
        os.chown(mount / "own rights", 1234, 1234)
        descriptor = bytearray(acl_of(mount / "plain"))
        descriptor[3] ^= 0x10  # SE_DACL_PROTECTED ([MS-DTYP] 2.4.6)
        os.setxattr(mount / "inherits", "system.ntfs_acl", bytes(descriptor))
        for name, flag in (("read only", READ_ONLY), ("hidden", HIDDEN)):
            os.setxattr(mount / name, "system.ntfs_attrib_be", flag.to_bytes(4, "big"))
        os.setxattr(mount / "own rights", "system.ntfs_dos_name", b"OWNRIG~1")
        (mount / "junction").mkdir()
        os.setxattr(mount / "junction", "system.ntfs_reparse_data", junction())
        acls = {name: acl_of(mount / name) for name in NTFS_NAMES}
    finally:
        run("umount", mount)
    return listed(image, "ntfs"), acls


needs_ntfs = [pytest.mark.root, pytest.mark.tools("mkntfs", "ntfs-3g", "umount", "getfattr")]


class TestNtfs:
    """NTFS as ntfs-3g writes it."""

    pytestmark = needs_ntfs

    def test_security_when_read_then_the_owner_is_the_descriptors(
        self, ntfs: tuple[dict[str, Entry], dict[str, bytes]]
    ) -> None:
        """By the identifier in the record and the stream $SDS, as ntfs-3g resolves them."""
        entries, acls = ntfs
        for name, acl in acls.items():
            at = int.from_bytes(acl[4:8], "little")
            authorities = [
                int.from_bytes(acl[at + 8 + 4 * item : at + 12 + 4 * item], "little")
                for item in range(acl[at + 1])
            ]
            sid = "-".join(["S-1", str(acl[at + 7]), *map(str, authorities)])
            assert entries[f"/{name}"].owner == sid, name

    def test_security_when_compared_then_equal_descriptors_alone_are_equal(
        self, ntfs: tuple[dict[str, Entry], dict[str, bytes]]
    ) -> None:
        """Other rights give another digest; inheritance is reported beside it."""
        entries, acls = ntfs
        plain = entries["/plain"].security or ""
        assert plain.endswith(" protected")
        assert entries["/shared"].security == plain
        assert acls["own rights"] != acls["plain"]
        assert entries["/own rights"].security != plain
        assert entries["/inherits"].security == plain.split()[0]

    def test_attributes_when_set_then_they_are_read(
        self, ntfs: tuple[dict[str, Entry], dict[str, bytes]]
    ) -> None:
        """Read-only and hidden."""
        flags = {name: ntfs[0][f"/{name}"].attributes or 0 for name in NTFS_NAMES}
        assert flags["read only"] & READ_ONLY
        assert flags["hidden"] & HIDDEN
        assert not flags["plain"] & (READ_ONLY | HIDDEN)

    def test_short_name_when_a_file_has_one_then_it_is_kept(
        self, ntfs: tuple[dict[str, Entry], dict[str, bytes]]
    ) -> None:
        """And none is made up for the others."""
        assert ntfs[0]["/own rights"].short == "OWNRIG~1"
        assert ntfs[0]["/plain"].short is None

    def test_junction_when_listed_then_what_it_names_is_kept(
        self, ntfs: tuple[dict[str, Entry], dict[str, bytes]]
    ) -> None:
        """The substitute name ([MS-FSCC] 2.1.2.5)."""
        entry = ntfs[0]["/junction"]
        assert (entry.reparse, entry.target) == ("A0000003", PLACE)


def test_descriptors_when_the_stream_is_garbage_then_there_are_none() -> None:
    """Whatever a hostile stream says, it ends."""
    assert descriptors(b"\xff" * 600_000) == {}
    assert descriptors(bytes(600_000)) == {}


def test_sid_when_written_out_then_it_reads_as_usual() -> None:
    """The example of [MS-DTYP] 2.4.2.4's local system: S-1-5-18."""
    assert sid_text(bytes.fromhex("010100000000000512000000")) == "S-1-5-18"


EXT = {
    "ext4": ["-t", "ext4", "-I", "256"],
    "ext4-inline": ["-t", "ext4", "-O", "inline_data"],
    "ext3-128": ["-t", "ext3", "-I", "128"],
}


@pytest.fixture(params=EXT)
def ext(request: pytest.FixtureRequest, tmp_path: Path) -> dict[str, Entry]:
    """Write a volume from a folder, then give its files what the folder cannot hold."""
    tree, image = tmp_path / "tree", tmp_path / "volume.img"
    tree.mkdir()
    for name in ("plain", "owned", "setuid", "named", "other value", "capable", "fixed", "many"):
        (tree / name).write_bytes(b"x")
    (tree / "link").symlink_to("plain")
    (tree / "setuid").chmod(0o4755)
    (tree / "plain").chmod(0o640)
    image.write_bytes(b"")
    os.truncate(image, 16 << 20)
    run("mke2fs", "-q", "-F", *EXT[request.param], "-d", tree, image)
    value = tmp_path / "value"
    value.write_bytes(b"x" * 600)
    commands = [
        "sif owned uid 70000",
        "sif owned gid 100000",
        "ea_set named user.comment one",
        'ea_set "other value" user.comment two',
        "ea_set capable security.capability aaaaaaaaaaaaaaaaaaaa",
        f"ea_set -f {value} many user.long",
        "ea_set many user.short s",
        "sif fixed flags 0x80010",
    ]
    for command in commands:
        run("debugfs", "-w", "-R", command, image)
    return listed(image, "ext4")


class TestExt:
    """Ext as mke2fs and debugfs write it."""

    pytestmark = pytest.mark.tools("mke2fs", "debugfs")

    def test_owner_and_mode_when_read_then_they_are_what_was_set(
        self, ext: dict[str, Entry]
    ) -> None:
        """Numbers above 65,535 included, which stand in two halves."""
        assert ext["/owned"].owner == "70000:100000"
        assert ext["/plain"].mode == 0o640
        assert ext["/setuid"].mode == 0o4755
        assert ext["/link"].mode == 0o777

    def test_extended_attributes_when_read_then_names_and_values_are_told_apart(
        self, ext: dict[str, Entry]
    ) -> None:
        """In the inode or in a block of their own."""
        named, other = ext["/named"].extended, ext["/other value"].extended
        assert [name for name, _ in named] == ["user.comment"]
        assert [name for name, _ in other] == ["user.comment"]
        assert named != other
        assert [name for name, _ in ext["/capable"].extended] == ["security.capability"]
        assert [name for name, _ in ext["/many"].extended] == ["user.long", "user.short"]
        assert ext["/plain"].extended == []

    def test_flags_when_set_then_they_are_read_without_those_of_storage(
        self, ext: dict[str, Entry]
    ) -> None:
        """0x10 is immutable, 0x80000 says that the inode has extents (ext4/inodes.rst)."""
        assert ext["/fixed"].attributes == 0x10
        assert ext["/plain"].attributes == 0


@pytest.mark.tools("mke2fs")
def test_inodes_when_their_tables_lie_outside_then_none_is_made_up(tmp_path: Path) -> None:
    """A damaged group descriptor."""
    image = tmp_path / "volume.img"
    image.write_bytes(b"")
    os.truncate(image, 8 << 20)
    run("mke2fs", "-q", "-F", "-t", "ext2", "-b", "1024", image)
    with image.open("r+b") as file:
        file.seek(2048 + 8)  # inode_table_lo of group 0
        file.write(b"\xff\xff\xff\x7f")
    inodes = ExtInodes(file_window(image))
    for node in (0, 2, 11, 1 << 40):
        with pytest.raises(UNREADABLE):
            inodes.inode(node)


@pytest.mark.tools("mkfs.vfat", "mcopy", "mattrib")
def test_fat_when_listed_then_read_only_and_hidden_are_known(tmp_path: Path) -> None:
    """As `mattrib` set them."""
    image, file = tmp_path / "volume.img", tmp_path / "file"
    image.write_bytes(b"")
    os.truncate(image, 8 << 20)
    file.write_bytes(b"x")
    run("mkfs.vfat", "-F", "16", "-s", "1", image)
    for name, flag in (("plain", None), ("fixed", "+r"), ("unseen", "+h")):
        run("mcopy", "-i", image, file, f"::/{name}")
        if flag:
            run("mattrib", "-i", image, flag, f"::/{name}")
    entries = listed(image, "fat16")
    assert [entries[f"/{name}"].attributes for name in ("plain", "fixed", "unseen")] == [0, 1, 2]
