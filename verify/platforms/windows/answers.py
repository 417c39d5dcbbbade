"""What the answers of Windows say of a drive: bytes in, plain values out.

An answer that is too short, or points outside itself, says nothing: no field is guessed from it.
GUESS: that some drivers give an ATA drive's serial number as hexadecimal digits of the raw words,
two characters swapped in each, is from memory; so is that an NVMe drive's may be its EUI-64 in
groups of four.
"""

from __future__ import annotations

import re
import struct
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.errors import StructureError
from verify.structs import windows_storage as tables

if TYPE_CHECKING:
    from verify.structs.base import Record, Structure

_ATA = frozenset({tables.BUS_ATAPI, tables.BUS_ATA, tables.BUS_SATA})

_BUSES = {
    **dict.fromkeys(_ATA, "sata"),
    tables.BUS_USB: "usb",
    tables.BUS_NVME: "nvme",
    tables.BUS_SD: "mmc",
    tables.BUS_MMC: "mmc",
    tables.BUS_SCSI: "scsi",
    tables.BUS_SAS: "sas",
    tables.BUS_RAID: "raid",
    tables.BUS_VIRTUAL: "virtual",
    tables.BUS_FILE_BACKED_VIRTUAL: "virtual",
    tables.BUS_SPACES: "storage spaces",
}
"""As other systems name them; a bus that is not here is not reported."""

_NO_VENDORS = frozenset({"", "ATA", "NVME"})
"""What stands for the vendor where the bus knows of none."""

_PRINTABLE = re.compile(rb"[ -~]*")
_RAW_SERIAL = re.compile(r"[0-9A-Fa-f]{40}")
_EUI = re.compile(r"((?:[0-9A-Fa-f]{4}_)+[0-9A-Fa-f]{4})\.?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """What a drive is called; `None` where it does not say."""

    model: str | None = None
    serial: str | None = None
    wwn: str | None = None
    bus: str | None = None
    removable: bool | None = None


@dataclass(frozen=True, slots=True)
class Extent:
    """A part of a drive that a volume lies on, in bytes."""

    disk: int
    start: int
    length: int


def named(answer: bytes) -> Named:
    """Return what a STORAGE_DEVICE_DESCRIPTOR says."""
    record = _record(tables.DEVICE_DESCRIPTOR, answer)
    if record is None:
        return Named()
    number = record.number("BusType")
    vendor, product, serial = (
        _text_at(answer, record.number(name))
        for name in ("VendorIdOffset", "ProductIdOffset", "SerialNumberOffset")
    )
    words = [product] if vendor.upper() in _NO_VENDORS else [vendor, product]
    wwn = None
    if found := _EUI.fullmatch(serial):
        serial, wwn = "", f"eui.{found[1].replace('_', '').lower()}"
    return Named(
        model=" ".join(word for word in words if word) or None,
        serial=_serial(serial, number) or None,
        wwn=wwn,
        bus=_BUSES.get(number),
        removable=bool(record.number("RemovableMedia")),
    )


def _serial(text: str, bus: int) -> str:
    """Return a serial number as it is printed on the drive."""
    if bus not in _ATA or not _RAW_SERIAL.fullmatch(text):
        return text
    return _plain(_swapped(bytes.fromhex(text))) or text


def _swapped(words: bytes) -> bytes:
    """Return the characters of ATA words, whose first stands in the higher byte (ACS-3)."""
    return bytes(words[at ^ 1] for at in range(len(words)))


def _text_at(answer: bytes, offset: int) -> str:
    """Return a text of a descriptor; empty where there is none."""
    if not tables.DEVICE_DESCRIPTOR.size <= offset < len(answer):
        return ""
    return _plain(answer[offset:].partition(b"\0")[0])


def _plain(raw: bytes) -> str:
    """Return the text without what fills it up; empty where it is no printable ASCII."""
    filled = raw.strip(b"\0 ")
    return filled.decode("ascii") if _PRINTABLE.fullmatch(filled) else ""


def identify_question(protocol: int) -> bytes:
    """Return the input that asks an ATA or NVMe drive to identify itself.

    Source: Microsoft Learn, "Working with NVMe drives", "STORAGE_PROTOCOL_ATA_DATA_TYPE".
    """
    nvme = protocol == tables.PROTOCOL_TYPE_NVME
    prop = (
        tables.STORAGE_ADAPTER_PROTOCOL_SPECIFIC_PROPERTY
        if nvme
        else tables.STORAGE_DEVICE_PROTOCOL_SPECIFIC_PROPERTY
    )
    own = tables.PROTOCOL_SPECIFIC_DATA.size
    size = (tables.NVME_IDENTIFY_CONTROLLER if nvme else tables.ATA_IDENTIFY).size
    value = tables.NVME_IDENTIFY_CNS_CONTROLLER if nvme else 0
    specific = struct.pack(
        "<10I", protocol, tables.DATA_TYPE_IDENTIFY, value, 0, own, size, 0, 0, 0, 0
    )
    # NOTE: the answer comes into the same room, which has to hold it.
    return struct.pack("<II", prop, 0) + specific + bytes(size)


def property_question(number: int) -> bytes:
    """Return the input that asks for a property: a STORAGE_PROPERTY_QUERY."""
    return struct.pack("<III", number, 0, 0)


def identified(answer: bytes, protocol: int) -> Named:
    """Return what a drive that identified itself says: a STORAGE_PROTOCOL_DATA_DESCRIPTOR."""
    outer = _record(tables.PROTOCOL_DATA_DESCRIPTOR, answer)
    if outer is None:
        return Named()
    inner = tables.PROTOCOL_SPECIFIC_DATA.parse(outer.raw("ProtocolSpecificData"))
    if inner.number("ProtocolType") != protocol:
        return Named()
    at = 8 + inner.number("ProtocolDataOffset")
    data = answer[at : at + inner.number("ProtocolDataLength")]
    if protocol == tables.PROTOCOL_TYPE_NVME:
        told = _record(tables.NVME_IDENTIFY_CONTROLLER, data)
        texts = [] if told is None else [told.raw("MN"), told.raw("SN")]
    else:
        told = _record(tables.ATA_IDENTIFY, data)
        names = ("ModelNumber", "SerialNumber")
        texts = [] if told is None else [_swapped(told.raw(name)) for name in names]
    model, serial = map(_plain, texts or (b"", b""))
    return Named(model=model or None, serial=serial or None)


def sectors(answer: bytes) -> tuple[int | None, int | None]:
    """Return bytes of a logical and of a physical sector: STORAGE_ACCESS_ALIGNMENT_DESCRIPTOR."""
    record = _record(tables.ACCESS_ALIGNMENT, answer)
    if record is None:
        return None, None
    logical, physical = (
        _sector(record.number(name)) for name in ("BytesPerLogicalSector", "BytesPerPhysicalSector")
    )
    return logical, physical


def geometry(answer: bytes) -> tuple[int | None, int | None]:
    """Return the bytes of a sector and of the drive: DISK_GEOMETRY_EX."""
    record = _record(tables.DISK_GEOMETRY_EX, answer)
    if record is None:
        return None, None
    return _sector(record.number("BytesPerSector")), _size(record.number("DiskSize"))


def _size(number: int) -> int | None:
    return number if number > 0 else None


def _sector(number: int) -> int | None:
    """Return a sector size if it may be one: a power of two from 512 to 64 KiB."""
    return number if 512 <= number <= 65536 and number & (number - 1) == 0 else None  # noqa: PLR2004


def rotates(answer: bytes) -> bool | None:
    """Return whether a head has to move: DEVICE_SEEK_PENALTY_DESCRIPTOR."""
    record = _record(tables.SEEK_PENALTY, answer)
    return None if record is None else bool(record.number("IncursSeekPenalty"))


def takes_trim(answer: bytes) -> bool | None:
    """Return whether the drive takes TRIM: DEVICE_TRIM_DESCRIPTOR."""
    record = _record(tables.TRIM, answer)
    return None if record is None else bool(record.number("TrimEnabled"))


def length(answer: bytes) -> int | None:
    """Return how many bytes a device has: GET_LENGTH_INFORMATION."""
    record = _record(tables.LENGTH_INFORMATION, answer)
    return None if record is None else _size(record.number("Length"))


def device_number(answer: bytes) -> tuple[int, int] | None:
    """Return the numbers of a drive and a partition: STORAGE_DEVICE_NUMBER."""
    record = _record(tables.DEVICE_NUMBER, answer)
    if record is None:
        return None
    return record.number("DeviceNumber"), record.number("PartitionNumber")


def extents(answer: bytes) -> tuple[Extent, ...]:
    """Return where a volume lies: VOLUME_DISK_EXTENTS."""
    record = _record(tables.VOLUME_DISK_EXTENTS, answer)
    count = 0 if record is None else record.number("NumberOfDiskExtents")
    size, found = tables.DISK_EXTENT.size, []
    for at in range(8, min(len(answer), 8 + count * size) - size + 1, size):
        one = tables.DISK_EXTENT.parse(answer[at : at + size], at)
        numbers = (one.number(x) for x in ("DiskNumber", "StartingOffset", "ExtentLength"))
        found.append(Extent(*numbers))
    return tuple(found)


def _record(table: Structure, answer: bytes) -> Record | None:
    with suppress(StructureError):
        return table.parse(answer)
    return None
