"""An initial RAM filesystem: which drivers it brings to find the root filesystem with.

One or more cpio archives behind one another, of which the last is usually compressed. Names are
looked at while it is unpacked in memory, piece by piece; contents are passed over.

Sources: the kernel's "initramfs buffer format" (newc header, padding, concatenation) and its
lib/decompress.c (magic numbers).
"""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import re
import zlib
from typing import TYPE_CHECKING, BinaryIO, cast

from verify.boot.boot_record import Initramfs
from verify.text.message import say
from verify.units import MIB, align_up

if TYPE_CHECKING:
    from collections.abc import Callable

MOST_UNPACKED_BYTES = 512 * MIB
"""Where unpacking stops; one with every driver of a distribution holds about half of it."""

DRIVERS = frozenset(
    {
        "ahci",
        "ata_piix",
        "btrfs",
        "dm-crypt",
        "dm-mod",
        "ext4",
        "mmc_block",
        "nvme",
        "raid1",
        "sd_mod",
        "uas",
        "usb-storage",
        "virtio_blk",
        "virtio_scsi",
        "vmd",
        "xfs",
    }
)
"""Module names that are looked for."""

_MAGICS = (
    (b"\x1f\x8b", "gzip"),
    (b"\xfd7zXZ\0", "xz"),
    (b"\x5d\0\0", "lzma"),
    (b"BZh", "bzip2"),
    (b"\x28\xb5\x2f\xfd", "zstd"),
    (b"\x02\x21\x4c\x18", "lz4"),
    (b"\x89LZO", "lzo"),
)
_OPENERS: dict[str, Callable[[BinaryIO], BinaryIO]] = {
    "gzip": lambda file: cast("BinaryIO", gzip.GzipFile(fileobj=file)),
    "xz": lambda file: cast("BinaryIO", lzma.LZMAFile(file)),  # noqa: SIM115 - nothing is opened:
    "lzma": lambda file: cast("BinaryIO", lzma.LZMAFile(file)),  # noqa: SIM115 - these unpack
    "bzip2": lambda file: cast("BinaryIO", bz2.BZ2File(file)),  # bytes in memory
}
_UNPACKING_ERRORS = (EOFError, OSError, MemoryError, lzma.LZMAError, zlib.error)

_MAGIC_BYTES = 6
_CPIO_MAGICS = (b"070701", b"070702")
_CPIO_HEADER_BYTES = 110
_CPIO_NUMBERS = re.compile(rb"[0-9A-Fa-f]{104}")
_CPIO_FILE_BYTES = slice(54, 62)
_CPIO_NAME_BYTES = slice(94, 102)
_CPIO_END = b"TRAILER!!!"
_CPIO_ALIGNMENT = 4
_LONGEST_NAME = 4096
_MOST_ARCHIVES = 64
_MOST_ENTRIES = 200_000

_NOT_ZERO = re.compile(rb"[^\0]")
_MODULE = re.compile(r"/([^/]+)\.ko(?:\.(?:gz|xz|zst))?$")


class _BrokenError(Exception):
    """Inside this module only: why the archive cannot be followed any further."""


def read_initramfs(data: bytes, path: str = "") -> Initramfs:
    """Read the names in an initial RAM filesystem; any bytes give a result.

    Args:
        data: the whole file, or as much of it as was read.
        path: where it lies on its partition.
    """
    drivers: set[str] = set()
    compression = "none"
    problem: str | None = None
    file = io.BytesIO(data)
    try:
        at = _read_plain(file, data, drivers)
        if at is not None:
            compression = _compression(data[at : at + _MAGIC_BYTES])
            unpack = _OPENERS.get(compression)
            if unpack is None:
                problem = say(
                    "its compression ({compression}) is not read here", compression=compression
                )
            else:
                _read_archive(unpack(file), drivers)
    except _BrokenError as error:
        problem = error.args[0]
    except _UNPACKING_ERRORS:
        problem = say("it is damaged or ends early")
    return Initramfs(
        path=path, compression=compression, drivers=tuple(sorted(drivers)), problem=problem
    )


def _read_plain(file: BinaryIO, data: bytes, drivers: set[str]) -> int | None:
    """Read the uncompressed archives at the front; return where something else begins, if it does.

    The file is left there.
    """
    for _ in range(_MOST_ARCHIVES):
        found = _NOT_ZERO.search(data, file.tell())
        if found is None:
            return None
        file.seek(found.start())
        if not data.startswith(_CPIO_MAGICS, found.start()):
            return found.start()
        _read_archive(file, drivers)
    raise _BrokenError(say("it holds more than {most} archives", most=_MOST_ARCHIVES))


def _compression(magic: bytes) -> str:
    return next((name for mark, name in _MAGICS if magic.startswith(mark)), "unknown")


def _read_archive(file: BinaryIO, drivers: set[str]) -> None:
    """Read one cpio archive up to its trailer; add the drivers that are in it."""
    start = file.tell()
    for _ in range(_MOST_ENTRIES):
        header = _exactly(file, _CPIO_HEADER_BYTES)
        if not header.startswith(_CPIO_MAGICS) or not _CPIO_NUMBERS.fullmatch(header[6:]):
            raise _BrokenError(say("an entry has no cpio header"))
        name_bytes = int(header[_CPIO_NAME_BYTES], 16)
        if name_bytes > _LONGEST_NAME:
            raise _BrokenError(say("a name is {size} bytes long", size=name_bytes))
        name = _exactly(file, name_bytes).rstrip(b"\0")
        _skip_to(file, start, file.tell() - start)
        if name == _CPIO_END:
            return
        module = _MODULE.search("/" + name.decode("utf-8", "replace"))
        if module is not None and module[1] in DRIVERS:
            drivers.add(module[1])
        _skip_to(file, start, file.tell() - start + int(header[_CPIO_FILE_BYTES], 16))
    raise _BrokenError(say("it holds more than {most} entries", most=_MOST_ENTRIES))


def _exactly(file: BinaryIO, size: int) -> bytes:
    data = file.read(size)
    if len(data) != size:
        raise _BrokenError(say("it ends in the middle"))
    return data


def _skip_to(file: BinaryIO, start: int, place: int) -> None:
    """Go to a place in the archive that began at `start`, rounded up to its alignment."""
    target = start + align_up(place, _CPIO_ALIGNMENT)
    if target > MOST_UNPACKED_BYTES:
        raise _BrokenError(say("it unpacks to more than any real one"))
    file.seek(target)
