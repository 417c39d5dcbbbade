"""Device elements of a boot store, from bytes.

A shape that is not wholly understood becomes a `Device` of kind `unknown` with its bytes: fields
that were zero in every real sample must be zero, lengths must agree to the byte, and nothing is
guessed. So whatever is read here could be written back byte for byte.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING
from uuid import UUID

from verify.boot.hive import utf16
from verify.boot.store_record import Device, DeviceKind
from verify.structs import bcd
from verify.text.message import say

if TYPE_CHECKING:
    from verify.structs.base import Record, Structure

LIES_ON: dict[DeviceKind, tuple[DeviceKind, ...]] = {
    # GUESS: a RAM disk or a file on `boot` is put together from two real forms; on a partition
    # both are real.
    "ramdisk": ("partition", "boot"),
    "file": ("partition", "boot"),
    "vhd": ("file",),
    "locate": ("vhd",),
}
"""What may hold what; this also bounds how deep devices lie inside one another."""

_NO_SAMPLE = {2: say("a legacy partition"), 3: say("a serial port"), 4: say("a network")}


@dataclass(frozen=True, slots=True)
class _Layer:
    """One descriptor, and the bytes of the one it lies on (`None`: on nothing else)."""

    device: Device
    below: bytes | None = None


class _NotUnderstoodError(Exception):
    """Inside this module only: why a descriptor is not understood."""


def read_device(element: bytes) -> Device:
    """Return the device that a stored element names; any bytes give one, `unknown` at worst."""
    options, below = element[: bcd.OPTIONS_GUID_BYTES], element[bcd.OPTIONS_GUID_BYTES :]
    if not below:
        return _unknown(element, say("it is {count} bytes long", count=len(element)))
    layers = [_layer(below, (*LIES_ON, "partition", "boot"))]
    while (rest := layers[-1].below) is not None:
        layers.append(_layer(rest, LIES_ON[layers[-1].device.kind]))
    device = layers.pop().device
    for layer in reversed(layers):
        device = replace(layer.device, parent=device)
    return replace(device, options=guid_text(options)) if any(options) else device


def guid_text(data: bytes) -> str:
    """Return 16 stored bytes as a GUID in upper case."""
    return str(UUID(bytes_le=data)).upper()


def _unknown(data: bytes, reason: str) -> Device:
    return Device(kind="unknown", raw=data.hex().upper(), reason=reason)


def _layer(data: bytes, allowed: tuple[DeviceKind, ...]) -> _Layer:
    try:
        layer = _read_descriptor(data)
        _expect(
            layer.device.kind in allowed,
            say("no sample was seen of {kind} here", kind=layer.device.kind),
        )
    except _NotUnderstoodError as error:
        return _Layer(_unknown(data, str(error)))
    return layer


def _expect(holds: bool, otherwise: str) -> None:  # noqa: FBT001 - reads as a sentence
    if not holds:
        raise _NotUnderstoodError(otherwise)


def _parse(structure: Structure, data: bytes) -> Record:
    _expect(len(data) >= structure.size, say("it ends inside its {name}", name=structure.name))
    return structure.parse(data)


def _read_descriptor(data: bytes) -> _Layer:
    header = _parse(bcd.DESCRIPTOR, data)
    kind, flags, size = header.number("type"), header.number("flags"), header.number("size")
    _expect(
        size == len(data),
        say("its size is stored as {size} and is {count}", size=size, count=len(data)),
    )
    _expect(header.number("reserved") == 0, say("its reserved field is not zero"))
    if kind == bcd.DESCRIPTOR_LOCAL:
        return _read_local(data, flags)
    _expect(flags == 0, say("its flags are {flags}", flags=format(flags, "#x")))
    if kind == bcd.DESCRIPTOR_PARTITION:
        return _read_partition(data)
    if kind == bcd.DESCRIPTOR_LOCATE:
        return _read_locate(data)
    _expect(
        kind == bcd.DESCRIPTOR_BOOT,
        say("its type is {kind}, {name}", kind=kind, name=_NO_SAMPLE.get(kind, say("not known"))),
    )
    _expect(len(data) == bcd.PARTITION.size, say("it is {count} bytes long", count=len(data)))
    _expect(not any(data[bcd.DESCRIPTOR.size :]), say("its body is not zero"))
    return _Layer(Device(kind="boot"))


def _read_partition(data: bytes) -> _Layer:
    fields = _parse(bcd.PARTITION, data)
    _expect(len(data) == bcd.PARTITION.size, say("it is {count} bytes long", count=len(data)))
    _expect(fields.number("local_type") == 0, say("it lies on no disk"))
    _expect(not any(fields.raw("reserved")), say("its reserved bytes are not zero"))
    partition, disk, scheme = fields.raw("partition"), fields.raw("disk"), fields.number("scheme")
    if scheme == bcd.SCHEME_GPT:
        return _Layer(
            Device(
                kind="partition",
                scheme="gpt",
                disk_id=guid_text(disk),
                partition_id=guid_text(partition),
            )
        )
    _expect(scheme == bcd.SCHEME_MBR, say("its partitioning scheme is {scheme}", scheme=scheme))
    _expect(not any(partition[8:] + disk[4:]), say("bytes behind its identity are not zero"))
    return _Layer(
        Device(
            kind="partition",
            scheme="mbr",
            disk_id=f"{int.from_bytes(disk[:4], 'little'):08X}",
            partition_offset=int.from_bytes(partition[:8], "little"),
        )
    )


def _read_local(data: bytes, flags: int) -> _Layer:
    local_type = _parse(bcd.LOCAL, data).number("local_type")
    body = data[bcd.LOCAL.size :]
    _expect(
        flags == int(local_type == bcd.LOCAL_RAMDISK),
        say("its flags are {flags}", flags=format(flags, "#x")),
    )
    if local_type == bcd.LOCAL_FILE:
        return _read_file("file", body)
    image, rest = body[: bcd.LOCAL_IMAGE_BYTES], body[bcd.LOCAL_IMAGE_BYTES :]
    _expect(len(image) == bcd.LOCAL_IMAGE_BYTES, say("it ends inside its image fields"))
    _expect(not any(image), say("its image base, size or offset is not zero"))
    if local_type == bcd.LOCAL_RAMDISK:
        return _read_file("ramdisk", rest)
    _expect(
        local_type == bcd.LOCAL_VIRTUAL_DISK,
        say("its local type is {local_type}", local_type=local_type),
    )
    return _Layer(Device(kind="vhd"), rest)


def _read_file(kind: DeviceKind, data: bytes) -> _Layer:
    """Read a path descriptor: its own fields, a whole descriptor (what it lies on), a path."""
    fields = _parse(bcd.PATH, data)
    length, type_ = fields.number("length"), fields.number("type")
    _expect(fields.number("version") == bcd.PATH_VERSION, say("its path has another version"))
    _expect(
        length == len(data),
        say(
            "its path's length is stored as {length} and is {count}", length=length, count=len(data)
        ),
    )
    _expect(type_ == bcd.PATH_TYPE, say("its path is of type {type}", type=type_))
    rest = data[bcd.PATH.size :]
    size = _parse(bcd.DESCRIPTOR, rest).number("size")
    _expect(
        bcd.DESCRIPTOR.size <= size < len(rest),
        say("what it lies on is {size} bytes long", size=size),
    )
    return _Layer(Device(kind=kind, path=_path(rest[size:])), rest[:size])


def _read_locate(data: bytes) -> _Layer:
    fields = _parse(bcd.LOCATE, data)
    way, below = fields.number("locate_type"), fields.number("parent_offset")
    _expect(way == 0, say("it is to be located by way {way}", way=way))
    _expect(
        bcd.LOCATE.size < below < len(data),
        say("what it lies on would be at byte {below}", below=below),
    )
    _expect(not _path(data[bcd.LOCATE.size : below]), say("it holds a path of its own"))
    return _Layer(
        Device(kind="locate", locate_element=f"{fields.number('element'):08X}"), data[below:]
    )


def _path(data: bytes) -> str:
    """Return UTF-16LE text that ends with its only NUL."""
    text = utf16(data) or ""
    _expect(
        text.find("\0") == len(text) - 1 >= 0,
        say("its path is not text with a single NUL at its end"),
    )
    return text[:-1]
