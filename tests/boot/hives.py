"""Registry hives for tests, written key by key.

An independent writer after libyal's description of the format (base block, one run of hive bins,
`nk`, `vk`, `lf` and `sk` cells); `hivexml` reads back what it writes in a test of its own.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

from verify.structs.regf import base_block_checksum

NOWHERE = 0xFFFFFFFF

REG_SZ, REG_BINARY, REG_DWORD, REG_MULTI_SZ = 1, 3, 4, 7


@dataclass
class HiveKey:
    """A key to be written: values as (name, type, bytes)."""

    name: str
    values: list[tuple[str, int, bytes]] = field(default_factory=list)
    keys: list[HiveKey] = field(default_factory=list)

    def add(self, *path: str) -> HiveKey:
        """Return the key at the end of a path, added where it is not there yet."""
        here = self
        for name in path:
            found = next((key for key in here.keys if key.name == name), None)
            if found is None:
                found = HiveKey(name)
                here.keys.append(found)
            here = found
        return here

    def set(self, name: str, kind: int, data: bytes) -> None:
        """Add a value."""
        self.values.append((name, kind, data))


def text(value: str) -> bytes:
    """REG_SZ: UTF-16LE with one NUL."""
    return (value + "\0").encode("utf-16-le")


def texts(*values: str) -> bytes:
    """REG_MULTI_SZ: each with a NUL, then one more."""
    return ("".join(value + "\0" for value in values) + "\0").encode("utf-16-le")


class HiveWriter:
    """Lays cells one behind the other; offsets are counted from the first hive bin."""

    def __init__(self) -> None:
        self.cells = bytearray(32)  # room for the hive bin's header

    def cell(self, data: bytes) -> int:
        """Write one allocated cell and return its offset."""
        size = -(-(4 + len(data)) // 8) * 8
        offset = len(self.cells)
        self.cells += struct.pack("<i", -size) + data.ljust(size - 4, b"\0")
        return offset

    def value(self, name: str, kind: int, data: bytes) -> int:
        """Write a value; up to four bytes lie in the cell itself."""
        if len(data) <= 4:
            size, place = len(data) | 0x80000000, int.from_bytes(data.ljust(4, b"\0"), "little")
        else:
            size, place = len(data), self.cell(data)
        head = struct.pack("<2sHIIIHH", b"vk", len(name), size, place, kind, 1, 0)
        return self.cell(head + name.encode("ascii"))

    def key(self, key: HiveKey, security: int, *, root: bool = False) -> int:
        """Write a key with everything below it."""
        below = sorted(key.keys, key=lambda item: item.name.upper())
        children = [self.key(item, security) for item in below]
        values = [self.value(*item) for item in key.values]
        key_list = value_list = NOWHERE
        if children:
            rows = b"".join(
                struct.pack("<I4s", place, item.name.encode("ascii")[:4])
                for place, item in zip(children, below, strict=True)
            )
            key_list = self.cell(struct.pack("<2sH", b"lf", len(children)) + rows)
        if values:
            value_list = self.cell(struct.pack(f"<{len(values)}I", *values))
        offset = self.cell(_nk(key.name, len(children), key_list, len(values), value_list, root))
        struct.pack_into("<I", self.cells, offset + 4 + 44, security)
        for child in children:
            struct.pack_into("<I", self.cells, child + 4 + 16, offset)
        return offset

    def finish(self, root: int) -> bytes:
        """Return the whole hive."""
        used = len(self.cells)
        bins = -(-(used + 8) // 4096) * 4096
        free = bins - used
        self.cells += struct.pack("<i", free) + bytes(free - 4)
        struct.pack_into("<4sIIIIQI", self.cells, 0, b"hbin", 0, bins, 0, 0, 0, 0)
        base = bytearray(4096)
        struct.pack_into("<4sIIQ", base, 0, b"regf", 1, 1, 0)
        struct.pack_into("<IIIIIII", base, 20, 1, 3, 0, 1, root, bins, 1)
        struct.pack_into("<I", base, 508, base_block_checksum(bytes(base)))
        return bytes(base + self.cells)


def _nk(  # noqa: PLR0913, PLR0917 - the fields of a cell
    name: str,
    keys: int,
    key_list: int,
    values: int,
    value_list: int,
    root: bool,  # noqa: FBT001
) -> bytes:
    flags = 0x2C if root else 0x20
    return (
        struct.pack("<2sHQII", b"nk", flags, 0, 0, NOWHERE)
        + struct.pack("<IIIIII", keys, 0, key_list, NOWHERE, values, value_list)
        + struct.pack("<II", NOWHERE, NOWHERE)
        + struct.pack("<IIIII", 64, 0, 64, 4096, 0)
        + struct.pack("<HH", len(name), 0)
        + name.encode("ascii")
    )


def write_hive(root: HiveKey) -> bytes:
    """Return a hive with everything below `root`."""
    writer = HiveWriter()
    descriptor = struct.pack("<BBHIIII", 1, 0, 0x8000, 0, 0, 0, 0)
    security = writer.cell(struct.pack("<2sHIIII", b"sk", 0, 0, 0, 1, len(descriptor)) + descriptor)
    struct.pack_into("<II", writer.cells, security + 4 + 4, security, security)
    return writer.finish(writer.key(root, security, root=True))
