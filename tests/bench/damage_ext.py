"""ext2, ext3 and ext4 for the campaign of random damage; the kernel's own driver is the oracle.

Needs root. `errors=remount-ro` is given at every mount: a damaged superblock may ask for a panic.
"""

from __future__ import annotations

import os
import stat
import subprocess
from contextlib import suppress
from hashlib import sha256
from typing import TYPE_CHECKING

from tests.bench.damage import MOST_BYTES
from tests.bench.mounted_listing import mounted_listing
from tests.support.drives import memory_window
from verify.filesystem.ext.strict.group_table import read_groups
from verify.filesystem.ext.strict.inodes import InodeScan
from verify.filesystem.ext.strict.owners import Owners
from verify.filesystem.ext.strict.special import InodeReader, read_special
from verify.filesystem.ext.strict.subject import Subject, layout_of

if TYPE_CHECKING:
    from pathlib import Path

    from tests.bench.damage import Listing, Target
    from verify.filesystem.ext.strict.attributes import Attributes

_OPTIONS = "loop,errors=remount-ro"
_VOLUMES = (
    ("ext2", "5M", "-b 1024 -N 512"),
    ("ext3", "6M", "-b 1024 -N 512 -J size=1"),
    ("ext4", "6M", "-b 1024 -N 512 -J size=1"),
    ("ext4", "6M", "-b 1024 -N 256 -J size=1 -g 2048 -O orphan_file,inline_data"),
    ("ext4", "5M", "-b 1024 -N 512 -O ^has_journal,^metadata_csum,uninit_bg,^flex_bg"),
    ("ext4", "9M", "-b 4096 -N 256 -J size=4 -O ^64bit,metadata_csum_seed"),
    ("ext4", "5M", "-b 1024 -N 512 -I 128 -O ^has_journal,^metadata_csum,meta_bg,^resize_inode"),
)
_DIRTY = ("ext4", "6M", "-b 1024 -N 512 -J size=1")


class Ext:
    """The family."""

    def volumes(self, folder: Path) -> list[tuple[str, bytes, bytes]]:
        """Return volumes of other features, each as it was some files before, and one in use."""
        found: list[tuple[str, bytes, bytes]] = []
        for kind, size, options in (*_VOLUMES, _DIRTY):
            image = folder / "made.img"
            image.unlink(missing_ok=True)
            subprocess.run(["truncate", "-s", size, image], check=True)
            subprocess.run(["mke2fs", "-q", "-F", "-t", kind, *options.split(), image], check=True)
            with _Mounted(image, folder / "making") as mount:
                _first(mount)
            older = image.read_bytes()
            with _Mounted(image, folder / "making") as mount:
                _then(mount)
                subprocess.run(["sync", "-f", mount], check=True)
                in_use = image.read_bytes()
            dirty = len(found) == len(_VOLUMES)
            found.append((kind, older, in_use if dirty else image.read_bytes()))
        return found

    def targets(self, volume: bytes) -> list[Target]:
        """Return the structures, as the examination finds them in the whole volume."""
        subject = Subject(memory_window(volume), layout_of(memory_window(volume)), lambda: None)
        table = read_groups(subject)
        assert table is not None
        groups, size = subject.layout.groups, subject.layout.block_bytes
        found: list[Target] = [("superblock", 1024, 1024)] * 6
        place = groups.descriptor_block(0) * size
        found += [("descriptors", place, len(table) * groups.descriptor_bytes)] * 4
        for group in range(len(table)):
            for name in ("block_bitmap", "inode_bitmap"):
                found += [(name, int(table.number(name)[group]) * size, size)] * 2
            if group and groups.has_superblock(group):
                found.append(("backup", groups.first_block(group) * size, 2 * size))
        special, owners = read_special(subject, table), Owners()
        inodes = InodeScan(subject, table, special, owners).run()
        for number in inodes.numbers.tolist():
            group, index = divmod(number - 1, subject.layout.block.number("inodes_per_group"))
            start = int(table.number("inode_table")[group]) * size + index * groups.inode_bytes
            found.append((f"inode {number}", start, groups.inode_bytes))
        for folder in inodes.folders:
            for _, first, count, _ in folder.runs:
                name = f"folder {folder.number}"
                found += [(name, (first + at) * size, size) for at in range(count)] * 2
        found += [("tree", block * size, size) for block in subject.tree_blocks] * 4
        found += [("attributes", block * size, size) for block in _blocks(inodes.attributes)] * 4
        journal = InodeReader(subject, table).map(8)
        if journal is not None and journal.runs:
            start = journal.runs[0][1] * size
            found += [("journal superblock", start, 1024)] * 3
            found += [("journal", start + size, 64 * size)] * 2
        orphans = subject.layout.block.number("orphan_file_inum")
        if orphans and "orphan_file" in subject.layout.features:
            mapping = InodeReader(subject, table).map(orphans)
            found += [("orphans", run[1] * size, size) for run in (mapping.runs if mapping else ())]
        return found

    def oracle(self, volume: bytes, folder: Path) -> tuple[str | None, Listing]:
        """Mount a copy for writing, read it, fill it; mount it again, and read it again."""
        image, place = folder / "case.img", folder / "mount"
        image.write_bytes(volume)
        try:
            with _Mounted(image, place) as mount:
                if os.statvfs(mount).f_flag & os.ST_RDONLY:
                    return "mounted read-only", {}
                listing = mounted_listing(mount, _row, folder="040")
                _fill(mount)
                if os.statvfs(mount).f_flag & os.ST_RDONLY:
                    return "went read-only", listing
            with _Mounted(image, place) as mount:
                after = mounted_listing(mount, _row, folder="040")
        except subprocess.CalledProcessError as error:
            return f"mount: {error.stderr.strip()[-120:]}", {}
        changed = {path: row for path, row in listing.items() if after.get(path) != row}
        if changed:
            return f"filling the volume changes {sorted(changed)[:3]}", listing
        return None, listing


class _Mounted:
    """A mount by the kernel's driver."""

    def __init__(self, image: Path, place: Path) -> None:
        place.mkdir(exist_ok=True)
        self.image, self.place = image, place

    def __enter__(self) -> Path:
        subprocess.run(
            ["mount", "-o", _OPTIONS, self.image, self.place],
            check=True,
            capture_output=True,
            text=True,
        )
        return self.place

    def __exit__(self, *_: object) -> None:
        subprocess.run(["umount", self.place], check=False, capture_output=True)


def _blocks(attributes: Attributes) -> list[int]:
    return sorted(attributes._shared)  # noqa: SLF001 - where they lie, for the damage alone


def _first(mount: Path) -> None:
    for folder in ("some", "many", "many/inner"):
        (mount / folder).mkdir()
    for number in range(90):
        (mount / "many" / f"a file with a long name {number:03}").write_bytes(b"n" * number)
    for number in range(6):
        (mount / "some" / f"longer {number}").write_bytes(bytes([number + 1]) * 9_000)
    (mount / "some" / "link").symlink_to("longer 1")
    (mount / "some" / "far").symlink_to("y" * 150)


def _then(mount: Path) -> None:
    for number in range(90, 130):
        (mount / "many" / f"a file with a long name {number:03}").write_bytes(b"later")
    for number in range(0, 20, 3):
        (mount / "many" / f"a file with a long name {number:03}").unlink()
    (mount / "some" / "longer 2").write_bytes(b"changed" * 3_000)
    os.link(mount / "some" / "longer 1", mount / "many" / "inner" / "linked")
    for number in range(3):
        os.setxattr(mount / "some" / f"longer {number}", "user.same", b"v" * 300)
        os.setxattr(mount / "many" / "inner", f"user.{number}", b"w" * 9)
    with (mount / "pieces").open("wb") as file:
        for at in range(100):
            file.seek(at * 8192)
            file.write(b"p" * 900)


def _row(path: Path) -> tuple[str, int, str]:
    told = path.lstat()
    digest = sha256()
    if stat.S_ISREG(told.st_mode):
        with path.open("rb") as file:
            digest.update(file.read(MOST_BYTES))
    elif stat.S_ISLNK(told.st_mode):
        digest.update(os.fsencode(path.readlink()))
    for name in sorted(os.listxattr(path, follow_symlinks=False)):
        digest.update(name.encode() + os.getxattr(path, name, follow_symlinks=False))
    # NOTE: times are compared by a rule of their own.
    marks = f"{told.st_mode:06o} {told.st_uid}:{told.st_gid}"
    size = 0 if stat.S_ISDIR(told.st_mode) else told.st_size
    return marks, size, digest.hexdigest()


def _fill(mount: Path) -> None:
    """Write until nothing is free, in small files and a large one."""
    with suppress(OSError):
        (mount / "filling").mkdir()
        for number in range(1_000):
            (mount / "filling" / f"{number}").write_bytes(b"#" * 1_500)
    with suppress(OSError), (mount / "filling" / "rest").open("wb") as file:
        while True:
            file.write(b"#" * 65_536)
    with suppress(OSError):
        subprocess.run(["sync", "-f", mount], check=False, capture_output=True)


FAMILY = Ext()
