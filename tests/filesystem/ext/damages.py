"""Kinds of damage to an ext volume, one a structure and way: what the table of damages is made of.

`python -m tests.filesystem.ext.damages` prints the table that docs/formats/ext.md shows.
"""

# ruff: noqa: E501 - a line a damage, as in a table

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.filesystem.ext.making import checker, examined, fill, make, mounted, serious

VOLUMES = {
    "checked": "-t ext4 -b 1024 -J size=2 -g 4096",
    "plain": "-t ext4 -b 1024 -J size=2 -g 4096 -O ^metadata_csum",
    "lists": "-t ext2 -b 1024 -g 4096",
}
"""With checksums, where any bit shows; and without, where only what it says can."""


def used_volume(folder: Path, name: str) -> Path:
    """Make a volume and use it: trees of extents and hashes, attribute blocks."""
    tree = fill(folder / f"{name}-tree", files=160)
    image = make(tree, folder / f"{name}.img", VOLUMES[name])
    with mounted(image) as place:
        # NOTE: the driver makes a tree of hashes of a folder that it saw grow, mke2fs never.
        (place / "hashed").mkdir()
        for number in range(160):
            (place / "hashed" / f"a-longer-name-of-a-file-{number:04}").write_bytes(b"n" * 40)
        with (place / "pieces").open("wb") as file:
            for at in range(200):
                file.seek(at * 4096)
                file.write(b"p" * 900)
        subprocess.run(["setfattr", "-n", "user.big", "-v", "w" * 300, place / "large"], check=True)
        subprocess.run(["setfattr", "-n", "user.s", "-v", "w", place / "empty"], check=True)
    return image


@dataclass(slots=True)
class Bytes:
    """A volume to be damaged; places are asked of debugfs, which is no part of this program."""

    image: Path

    def ask(self, request: str) -> str:
        """Return what debugfs answers."""
        done = subprocess.run(
            ["debugfs", "-R", request, self.image], capture_output=True, text=True, check=True
        )
        return done.stdout

    def inode(self, path: str) -> int:
        """Return where an inode begins."""
        words = self.ask(f"imap {path}").partition("located at block ")[2].split()
        return int(words[0].strip(",")) * 1024 + int(words[2], 16)

    def number(self, path: str) -> int:
        """Return an inode's number."""
        return int(self.ask(f"stat {path}").split()[1])

    def block(self, path: str, index: int = 0) -> int:
        """Return where a block of a file begins."""
        return int(self.ask(f"bmap {path} {index}").split()[0]) * 1024

    def tree(self, path: str) -> int:
        """Return where the first block of an extent tree or block list begins."""
        return int.from_bytes(self.read(self.inode(path) + 0x28 + 16, 4), "little") * 1024

    def indirect(self, path: str) -> int:
        """Return where the first indirect block begins."""
        return int.from_bytes(self.read(self.inode(path) + 0x28 + 48, 4), "little") * 1024

    def attributes(self, path: str) -> int:
        """Return where a file's block of attributes begins."""
        return int.from_bytes(self.read(self.inode(path) + 0x68, 4), "little") * 1024

    def group(self, name: str, group: int = 0) -> int:
        """Return where a group's bitmap or table begins."""
        at = ("block_bitmap", "inode_bitmap", "inode_table").index(name) * 4
        size = 64 if b"64bit" in self.ask("features").encode() else 32
        return int.from_bytes(self.read(2048 + group * size + at, 4), "little") * 1024

    def entry(self, folder: str, name: str) -> int:
        """Return where a folder's entry begins."""
        for index in range(200):
            start = self.block(folder, index)
            if not start:
                break
            at = self.read(start, 1024).find(name.encode())
            if at >= 8:
                return start + at - 8
        raise LookupError(name)

    def read(self, offset: int, length: int) -> bytes:
        """Read bytes."""
        with self.image.open("rb") as file:
            file.seek(offset)
            return file.read(length)

    def write(self, offset: int, data: bytes) -> None:
        """Overwrite bytes."""
        with self.image.open("r+b") as file:
            file.seek(offset)
            file.write(data)

    def flip(self, offset: int) -> None:
        """Turn one bit over."""
        self.write(offset, bytes([self.read(offset, 1)[0] ^ 0x10]))

    def u16(self, offset: int, value: int) -> None:
        """Write a number of two bytes."""
        self.write(offset, value.to_bytes(2, "little"))

    def u32(self, offset: int, value: int) -> None:
        """Write a number of four bytes."""
        self.write(offset, value.to_bytes(4, "little"))

    def number_at(self, offset: int) -> int:
        """Read a number of four bytes."""
        return int.from_bytes(self.read(offset, 4), "little")


@dataclass(frozen=True, slots=True)
class Damage:
    """What is damaged, in which volume, how, and the least that is to be said of it."""

    structure: str
    way: str
    volume: str
    do: Callable[[Bytes], None]
    effects: str


SUPER, NAME = 1024, "a-name-00005-äöü"


def _swap(volume: Bytes, one: int, two: int, length: int) -> None:
    first, second = volume.read(one, length), volume.read(two, length)
    volume.write(one, second)
    volume.write(two, first)


def _free_bit(volume: Bytes, name: str, bit: int) -> None:
    at = volume.group(name) + bit // 8
    volume.write(at, bytes([volume.read(at, 1)[0] & ~(1 << bit % 8)]))


def _file_bit(volume: Bytes) -> None:
    block = volume.block("/large") // 1024 - 1
    group, bit = divmod(block, 4096)
    at = volume.group("block_bitmap", group) + bit // 8
    volume.write(at, bytes([volume.read(at, 1)[0] & ~(1 << bit % 8)]))


DAMAGES = (
    # With checksums: one bit, zeros, an old copy.
    Damage("superblock", "one bit", "checked", lambda v: v.flip(SUPER + 0x178), "refused"),
    Damage("superblock", "checksum type", "checked", lambda v: v.flip(SUPER + 0x175), "refused"),
    Damage("superblock", "UUID", "checked", lambda v: v.flip(SUPER + 0x68), "refused"),
    Damage("descriptors", "one bit", "checked", lambda v: v.flip(2048 + 0x0C), "refused"),
    Damage("descriptors", "zeros", "checked", lambda v: v.write(2048, bytes(64)), "refused"),
    Damage("block bitmap", "one bit", "checked", lambda v: v.flip(v.group("block_bitmap") + 9), "repaired"),
    Damage("block bitmap", "zeros", "checked", lambda v: v.write(v.group("block_bitmap"), bytes(512)), "overwritten"),
    Damage("block bitmap", "a file's block free", "checked", _file_bit, "overwritten"),
    Damage("inode bitmap", "one bit", "checked", lambda v: v.flip(v.group("inode_bitmap") + 1), "repaired"),
    Damage("inode bitmap", "zeros", "checked", lambda v: v.write(v.group("inode_bitmap"), bytes(64)), "overwritten"),
    Damage("inode", "one bit of a time", "checked", lambda v: v.flip(v.inode("/large") + 0x10), "lost"),
    Damage("inode", "zeros", "checked", lambda v: v.write(v.inode("/large"), bytes(256)), "lost"),
    Damage("inode", "another's", "checked", lambda v: _swap(v, v.inode("/large"), v.inode("/sparse"), 256), "lost"),
    Damage("inode table", "zeros", "checked", lambda v: v.write(v.group("inode_table"), bytes(1024)), "refused"),
    Damage("extent block", "one bit", "checked", lambda v: v.flip(v.tree("/pieces") + 40), "lost"),
    Damage("extent block", "zeros", "checked", lambda v: v.write(v.tree("/pieces"), bytes(1024)), "lost"),
    Damage("folder", "one bit", "checked", lambda v: v.flip(v.block("/folder1") + 60), "lost"),
    Damage("folder", "zeros", "checked", lambda v: v.write(v.block("/many", 3), bytes(1024)), "lost"),
    Damage("folder", "another's block", "checked", lambda v: _swap(v, v.block("/folder1"), v.block("/folder2"), 1024), "lost"),
    Damage("hash tree", "one bit", "checked", lambda v: v.flip(v.block("/hashed") + 0x2C), "lost"),
    Damage("extended attributes", "one bit", "checked", lambda v: v.flip(v.attributes("/large") + 1000), "lost"),
    Damage("extended attributes", "zeros", "checked", lambda v: v.write(v.attributes("/large"), bytes(1024)), "lost"),
    Damage("backup superblock", "zeros", "checked", lambda v: v.write(4097 * 1024, bytes(1024)), "repaired"),
    Damage("backup superblock", "one bit", "checked", lambda v: v.flip(4097 * 1024 + 0x178), "repaired"),
    Damage("backup descriptors", "one bit", "checked", lambda v: v.flip(4098 * 1024), "repaired"),
    Damage("journal superblock", "one bit", "checked", lambda v: v.flip(v.block("<8>") + 0x38), "refused"),
    Damage("journal superblock", "zeros", "checked", lambda v: v.write(v.block("<8>"), bytes(1024)), "refused"),
    Damage("journal's inode", "zeros", "checked", lambda v: v.write(v.inode("<8>"), bytes(256)), "refused"),
    # Without: plausible wrong values.
    Damage("superblock", "inodes_count", "plain", lambda v: v.u32(SUPER, v.number_at(SUPER) + 8), "refused"),
    Damage("superblock", "blocks_count", "plain", lambda v: v.u32(SUPER + 4, 40_000), "refused"),
    Damage("superblock", "inode_size", "plain", lambda v: v.u16(SUPER + 0x58, 300), "refused"),
    Damage("superblock", "an unknown incompat", "plain", lambda v: v.flip(SUPER + 0x63), "refused"),
    Damage("superblock", "an unknown ro_compat", "plain", lambda v: v.flip(SUPER + 0x67), "refused"),
    Damage("superblock", "reserved_gdt_blocks", "plain", lambda v: v.u16(SUPER + 0xCE, 60_000), "refused"),
    Damage("superblock", "last_orphan", "plain", lambda v: v.u32(SUPER + 0xE8, 99_999), "repaired"),
    Damage("superblock", "journal_inum", "plain", lambda v: v.u32(SUPER + 0xE0, 9), "refused"),
    Damage("descriptors", "inode_table", "plain", lambda v: v.u32(2048 + 8, 3), "refused"),
    Damage("descriptors", "block_bitmap", "plain", lambda v: v.u32(2048, 0), "refused"),
    Damage("descriptors", "free_blocks_count", "plain", lambda v: v.u16(2048 + 12, 7), "repaired"),
    Damage("block bitmap", "a file's block free", "plain", _file_bit, "overwritten"),
    Damage("block bitmap", "all in use", "plain", lambda v: v.write(v.group("block_bitmap", 1), b"\xff" * 512), "repaired"),
    Damage("inode bitmap", "a file's inode free", "plain", lambda v: _free_bit(v, "inode_bitmap", 12), "overwritten"),
    Damage("inode", "kind", "plain", lambda v: v.u16(v.inode("/large"), 0o030644), "lost"),
    Damage("inode", "links_count", "plain", lambda v: v.u16(v.inode("/large") + 0x1A, 9), "repaired"),
    Damage("inode", "links_count 0", "plain", lambda v: v.u16(v.inode("/large") + 0x1A, 0), "lost"),
    Damage("inode", "size", "plain", lambda v: v.u32(v.inode("/large") + 4, 5), "lost"),
    Damage("inode", "blocks", "plain", lambda v: v.u32(v.inode("/large") + 0x1C, 4), "repaired"),
    Damage("inode", "file_acl", "plain", lambda v: v.u32(v.inode("/large") + 0x68, 99_999), "lost"),
    Damage("inode", "dtime", "plain", lambda v: v.u32(v.inode("/large") + 0x14, 1_500_000_000), "repaired"),
    Damage("inode", "extra_isize", "plain", lambda v: v.u16(v.inode("/large") + 0x80, 250), "lost"),
    Damage("inode", "inline data without the feature", "plain", lambda v: v.u32(v.inode("/large") + 0x20, 0x10000000), "lost"),
    Damage("extents", "depth", "plain", lambda v: v.u16(v.inode("/large") + 0x2E, 1), "lost"),
    Damage("extents", "entries", "plain", lambda v: v.u16(v.inode("/large") + 0x2A, 7), "lost"),
    Damage("extents", "length 0", "plain", lambda v: v.u16(v.inode("/large") + 0x38, 0), "lost"),
    Damage("extents", "past the end", "plain", lambda v: v.u32(v.inode("/large") + 0x3C, 32_700), "lost"),
    Damage("extents", "another file's block", "plain", lambda v: v.u32(v.inode("/sparse") + 0x3C, v.block("/large") // 1024), "overwritten"),
    Damage("extents", "the inode table's block", "plain", lambda v: v.u32(v.inode("/sparse") + 0x3C, v.group("inode_table") // 1024), "overwritten"),
    Damage("extent block", "order", "plain", lambda v: _swap(v, v.tree("/pieces") + 12, v.tree("/pieces") + 24, 12), "lost"),
    Damage("extent block", "entries", "plain", lambda v: v.u16(v.tree("/pieces") + 2, 20), "repaired"),
    Damage("block list", "past the end", "lists", lambda v: v.u32(v.inode("/large") + 0x28, 99_999), "lost"),
    Damage("block list", "another file's block", "lists", lambda v: v.u32(v.inode("/large") + 0x28, v.block("/pieces") // 1024), "overwritten"),
    Damage("block list", "indirect block 0", "lists", lambda v: v.u32(v.inode("/large") + 0x28 + 48, 0), "repaired"),
    Damage("block list", "zeros in an indirect block", "lists", lambda v: v.write(v.indirect("/large"), bytes(64)), "repaired"),
    Damage("block list", "a folder's block 0", "lists", lambda v: v.u32(v.inode("/folder3") + 0x28, 0), "lost"),
    Damage("block list", "a size that no list holds", "lists", lambda v: v.u32(v.inode("/empty") + 0x6C, 188), "lost"),
    Damage("folder", "rec_len 0", "plain", lambda v: v.u16(v.entry("/many", NAME) + 4, 0), "lost"),
    Damage("folder", "rec_len past the block", "plain", lambda v: v.u16(v.entry("/many", NAME) + 4, 1020), "lost"),
    Damage("folder", "an entry of inode 0", "plain", lambda v: v.u32(v.entry("/many", NAME), 0), "lost"),
    Damage("folder", "an inode past the last", "plain", lambda v: v.u32(v.entry("/many", NAME), 999_999), "lost"),
    Damage("folder", "an inode that is free", "plain", lambda v: v.u32(v.entry("/many", NAME), 2_000), "lost"),
    Damage("folder", "a slash in a name", "plain", lambda v: v.write(v.entry("/many", NAME) + 10, b"/"), "lost"),
    Damage("folder", "a name twice", "plain", lambda v: v.write(v.entry("/", "empty") + 8, b"large"), "lost"),
    Damage("folder", "the kind of an entry", "plain", lambda v: v.write(v.entry("/many", NAME) + 7, b"\2"), "repaired"),
    Damage("folder", "..", "plain", lambda v: v.u32(v.block("/folder1") + 12, v.number("/folder2")), "repaired"),
    Damage("folder", ".", "plain", lambda v: v.u32(v.block("/folder1"), v.number("/folder2")), "repaired"),
    Damage("hash tree", "a hash", "plain", lambda v: v.u32(v.block("/hashed") + 0x30, 0xF0000000), "lost"),
    Damage("hash tree", "a block past the end", "plain", lambda v: v.u32(v.block("/hashed") + 0x2C, 4_000), "lost"),
    Damage("hash tree", "count", "plain", lambda v: v.u16(v.block("/hashed") + 0x22, 2), "lost"),
    Damage("hash tree", "version", "plain", lambda v: v.write(v.block("/hashed") + 0x1C, b"\x09"), "repaired"),
    Damage("hash tree", "leaves swapped", "plain", lambda v: _swap(v, v.block("/hashed", 1), v.block("/hashed", 2), 1024), "lost"),
    Damage("extended attributes", "magic", "plain", lambda v: v.u32(v.attributes("/large"), 0), "lost"),
    Damage("extended attributes", "refcount", "plain", lambda v: v.u32(v.attributes("/large") + 4, 7), "repaired"),
    Damage("extended attributes", "a value outside", "plain", lambda v: v.u16(v.attributes("/large") + 34, 1_020), "lost"),
    Damage("extended attributes", "one bit of a value", "plain", lambda v: v.flip(v.attributes("/large") + 1_000), "lost"),
    Damage("root", "no folder", "plain", lambda v: v.u16(v.inode("<2>"), 0o100755), "refused"),
    Damage("journal", "maxlen", "plain", lambda v: v.u32(v.block("<8>") + 0x10, 0xFFFFFF7F), "refused"),
)  # fmt: skip


def table() -> str:
    """Return the rows of the table: structure, damage, what e2fsck does, what is said here."""
    rows = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        whole = {volume: used_volume(folder, volume) for volume in VOLUMES}
        for damage in DAMAGES:
            copy = folder / "copy.img"
            shutil.copyfile(whole[damage.volume], copy)
            damage.do(Bytes(copy))
            code, _ = checker(copy)
            theirs = "whole" if not code else "would repair" if code == 4 else "gives up"
            found = serious(examined(copy))
            first = f"{found[0].effect}: {found[0].structure}, {found[0].field}" if found else "—"
            rows.append(
                f"| {damage.structure} | {damage.way} | {damage.volume} | {theirs} | {first} |"
            )
    return "\n".join(rows)


if __name__ == "__main__":
    sys.stdout.write(table() + "\n")
