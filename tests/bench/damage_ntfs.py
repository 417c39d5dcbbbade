"""NTFS for the campaign of random damage: volumes by mkntfs and ntfs-3g, which is the oracle too.

The kernel's own driver (ntfs3) is used beside it where the running kernel has it.
"""

from __future__ import annotations

import os
import stat
import struct
import subprocess
from contextlib import suppress
from hashlib import sha256
from typing import TYPE_CHECKING

from tests.bench.mounted_listing import mounted_listing
from tests.filesystem.ntfs.volume_bytes import DATA, VolumeBytes, made, mounted

if TYPE_CHECKING:
    from pathlib import Path

    from tests.bench.damage import Listing, Target

SIZE_MIB = 3


class Ntfs:
    """The family."""

    def volumes(self, folder: Path) -> list[tuple[str, bytes, bytes]]:
        """Return three volumes of other cluster sizes, and each as it was some files before."""
        found = []
        for cluster, size_mib in ((4096, SIZE_MIB), (512, SIZE_MIB), (16384, 2 * SIZE_MIB)):
            image = made(folder / "made.img", size_mib, "-c", str(cluster))
            mounted(image, _first)
            older = image.read_bytes()
            mounted(image, _then)
            found.append(("ntfs", older, image.read_bytes()))
        return found

    def targets(self, volume: bytes) -> list[Target]:
        """Return the structures: records by their kind, system streams, blocks of indexes."""
        data = VolumeBytes(bytearray(volume))
        found: list[Target] = [("boot sector", 0, 512), ("$Boot", 512, 7680)]
        found += [("$MFTMirr", data.mirror, 4096)]
        for number in range(data.number_of_records()):
            at = data.record(number)
            if data.read[at : at + 4] == b"FILE" and data.read[at + 22] & 1:
                used = data.number(at + 24, "I")
                found += [(f"record {number}", at, min(used, 1024))] * (1 + (number < 12))
                found += _outside(data, number, at)
        return found

    def oracle(self, volume: bytes, folder: Path) -> tuple[str | None, Listing]:
        """Mount a copy for writing, list and read it, fill it, and list and read it again."""
        image, mount = folder / "case.img", folder / "mount"
        mount.mkdir(exist_ok=True)
        image.write_bytes(volume)
        command = ["ntfs-3g", "-o", "streams_interface=xattr", str(image), str(mount)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            return f"mount: {done.stderr.strip()[-120:]}", {}
        try:
            if os.statvfs(mount).f_flag & os.ST_RDONLY:
                return "mounted read-only", {}
            listing = mounted_listing(mount, _entry)
            _fill(mount)
            after = mounted_listing(mount, _entry)
        finally:
            subprocess.run(["umount", mount], check=True)
        changed = {path: row for path, row in listing.items() if after.get(path) != row}
        if changed:
            return f"filling the volume changes {sorted(changed)[:3]}", listing
        return None, listing


def _outside(data: VolumeBytes, number: int, record: int) -> list[Target]:
    """Return what a record's attributes keep in clusters, contents of users' files left out."""
    found: list[Target] = []
    at = record + data.number(record + 20, "H")
    while data.number(at, "I") != 0xFFFFFFFF:
        kind, length = data.number(at, "I"), data.number(at + 4, "I")
        system = number < 24 and number not in {0, 1, 7, 8}
        if data.read[at + 8] and (kind != DATA or system):
            left = data.number(at + 48, "Q")
            for count, start in data.runs(at):
                size = min(count * data.cluster, left, 1 << 18)
                if size > 0:
                    weight = 4 if kind != DATA else 1
                    found += [(f"{kind:X} of record {number}", start * data.cluster, size)] * weight
                left -= count * data.cluster
        at += length
    return found


def _first(mount: Path) -> None:
    for folder in ("some", "many", "many/inner"):
        (mount / folder).mkdir()
    for number in range(40):
        (mount / "many" / f"a file {number:03}").write_bytes(f"number {number}".encode() * 30)
    for number in range(6):
        (mount / "some" / f"longer {number}").write_bytes(bytes([number]) * 9_000)


def _then(mount: Path) -> None:
    for number in range(40, 70):
        (mount / "many" / f"a file {number:03}").write_bytes(b"later" * (number - 30))
    for number in range(0, 20, 3):
        (mount / "many" / f"a file {number:03}").unlink()
    (mount / "some" / "longer 2").write_bytes(b"changed" * 3_000)
    os.link(mount / "some" / "longer 1", mount / "many" / "inner" / "linked")
    for number in range(24):
        os.setxattr(mount / "some" / "longer 0", f"user.stream {number}", b"v" * 60)
    with (mount / "one").open("wb") as one, (mount / "two").open("wb") as two:
        for _ in range(24):
            for file in (one, two):
                file.write(b"f" * 4_096)
                file.flush()
    packed = mount / "packed"
    packed.mkdir()
    os.setxattr(packed, "system.ntfs_attrib", struct.pack("<I", 0x810))
    (packed / "text").write_bytes(b"hello " * 20_000)
    with (mount / "sparse").open("wb") as file:
        file.seek(200_000)
        file.write(b"z" * 5_000)


def _entry(path: Path) -> tuple[str, int, str]:
    status = path.lstat()
    if stat.S_ISDIR(status.st_mode):
        return "folder", 0, ""
    digest = sha256(path.read_bytes() if stat.S_ISREG(status.st_mode) else b"")
    with suppress(OSError):
        for name in sorted(os.listxattr(path, follow_symlinks=False)):
            digest.update(name.encode() + os.getxattr(path, name, follow_symlinks=False))
    return "file", status.st_size, digest.hexdigest()


def _fill(mount: Path) -> None:
    """Fill the free space and some records, then delete what was written."""
    written = []
    with suppress(OSError):
        for number in range(20):
            path = mount / f"new {number}"
            written.append(path)
            path.write_bytes(b"n" * 600)
    with suppress(OSError):
        path = mount / "filler"
        written.append(path)
        with path.open("wb") as file:
            for _ in range(SIZE_MIB * 4):
                file.write(b"#" * (1 << 18))
    subprocess.run(["sync", "-f", mount], check=False)
    for path in written:
        with suppress(OSError):
            path.unlink()


FAMILY = Ntfs()
