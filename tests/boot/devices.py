"""Device elements for tests, packed field by field after docs/formats/bcd.md.

A writer apart from the reader: no table of the reader's is used.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING
from uuid import UUID

if TYPE_CHECKING:
    from verify.boot.store_record import Device

DISK = "11111111-2222-3333-4444-555555555501"
PARTITION = "05050505-0000-4000-8000-000000000003"
RECOVERY_PARTITION = "4E4E4E4E-0000-4000-8000-000000000004"
OPTIONS = "AAAAAAA4-0000-11EE-8000-00155D000001"


def guid(text: str) -> bytes:
    """A GUID as stored: its first three fields little-endian."""
    return UUID(text).bytes_le


def descriptor(kind: int, flags: int, body: bytes) -> bytes:
    """A descriptor's header and body."""
    return struct.pack("<IIII", kind, flags, 16 + len(body), 0) + body


def gpt(partition: str = PARTITION, disk: str = DISK) -> bytes:
    """A GPT partition."""
    return descriptor(6, 0, guid(partition) + struct.pack("<II", 0, 0) + guid(disk) + bytes(16))


def mbr(offset: int, signature: int) -> bytes:
    """An MBR partition by byte offset and disk signature."""
    body = struct.pack("<QQIIIIII", offset, 0, 0, 1, signature, 0, 0, 0) + bytes(16)
    return descriptor(6, 0, body)


def boot() -> bytes:
    """Whatever the firmware started from."""
    return descriptor(5, 0, bytes(56))


def _file_on(parent: bytes, path: str) -> bytes:
    encoded = (path + "\0").encode("utf-16-le")
    return struct.pack("<III", 1, 12 + len(parent) + len(encoded), 5) + parent + encoded


def ramdisk(parent: bytes, path: str) -> bytes:
    """A RAM disk filled from a file."""
    return descriptor(0, 1, struct.pack("<I", 3) + bytes(20) + _file_on(parent, path))


def file(parent: bytes, path: str) -> bytes:
    """A file."""
    return descriptor(0, 0, struct.pack("<I", 5) + _file_on(parent, path))


def virtual_disk(parent: bytes) -> bytes:
    """A virtual disk held in another device."""
    return descriptor(0, 0, struct.pack("<I", 6) + bytes(20) + parent)


def locate(parent: bytes, element: int) -> bytes:
    """A device to be searched for by another element."""
    return descriptor(8, 0, struct.pack("<III", 0, element, 0x1E) + bytes(2) + parent)


def element(device: bytes, options: str | None = None) -> bytes:
    """A whole element: options object and device."""
    return (guid(options) if options else bytes(16)) + device


def encode(device: Device) -> bytes:
    """Write a device that was read and understood back as an element."""
    layers = [device]
    while layers[-1].parent is not None:
        layers.append(layers[-1].parent)
    data = b""
    for layer in reversed(layers):
        data = _encode_one(layer, data)
    return element(data, device.options)


def _encode_one(layer: Device, parent: bytes) -> bytes:
    if layer.kind == "partition":
        if layer.scheme == "gpt":
            return gpt(str(layer.partition_id), str(layer.disk_id))
        return mbr(layer.partition_offset or 0, int(str(layer.disk_id), 16))
    if layer.kind in ("ramdisk", "file"):
        return {"ramdisk": ramdisk, "file": file}[layer.kind](parent, str(layer.path))
    if layer.kind == "locate":
        return locate(parent, int(str(layer.locate_element), 16))
    return {"boot": boot(), "vhd": virtual_disk(parent)}[layer.kind]
