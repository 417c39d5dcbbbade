"""Device elements of a boot store: which drive, partition and file an object starts from.

Microsoft documents the meaning of these elements, not their bytes. Everything here is
reverse-engineered (docs/formats/bcd.md says from what, and what no real sample was seen of).
All numbers are little-endian, GUIDs mixed-endian. A device element is the GUID of an options
object (16 bytes, zero for none) and one descriptor; a descriptor may hold others.
"""

from __future__ import annotations

from typing import Final

from verify.structs.base import Field, Structure

_SOURCE = "reverse-engineered from real boot stores; see docs/formats/bcd.md"

OPTIONS_GUID_BYTES = 16

DESCRIPTOR = Structure(
    name="device descriptor",
    source=_SOURCE,
    size=16,
    fields=(
        Field("type", 0, "I", "see DESCRIPTOR_*"),
        Field("flags", 4, "I", "1 for a RAM disk, else 0"),
        Field("size", 8, "I", "of the whole descriptor, from its start"),
        Field("reserved", 12, "I", "0"),
    ),
)

DESCRIPTOR_LOCAL: Final = 0
"""Something on this machine that is no partition: a RAM disk, a file, a virtual disk."""
DESCRIPTOR_BOOT: Final = 5
"""Whatever device the firmware started from."""
DESCRIPTOR_PARTITION: Final = 6
DESCRIPTOR_LOCATE: Final = 8
"""To be searched for by another element of the same object."""

PARTITION = Structure(
    name="partition device",
    source=_SOURCE,
    size=72,
    fields=(
        Field("partition", 16, "16s", "GPT: unique GUID. MBR: start in bytes, u64, then zeros"),
        Field("local_type", 32, "I", "0: on a disk"),
        Field("scheme", 36, "I", "0 GPT, 1 MBR; 2 raw (documented, never seen)"),
        Field("disk", 40, "16s", "GPT: disk GUID. MBR: signature, u32, then zeros"),
        Field("reserved", 56, "16s", "0"),
    ),
)

SCHEME_GPT: Final = 0
SCHEME_MBR: Final = 1

LOCAL = Structure(
    name="local device",
    source=_SOURCE,
    size=20,
    fields=(Field("local_type", 16, "I", "see LOCAL_*"),),
)

LOCAL_RAMDISK: Final = 3
LOCAL_FILE: Final = 5
LOCAL_VIRTUAL_DISK: Final = 6

LOCAL_IMAGE_BYTES = 20
"""Behind the local type of RAM disks and virtual disks: image base u64, size u64, offset u32,
packed; all zero in every sample seen."""

PATH = Structure(
    name="path descriptor",
    source=_SOURCE,
    size=12,
    fields=(
        Field("version", 0, "I", "1"),
        Field("length", 4, "I", "from the start of this table to the end of the path"),
        Field("type", 8, "I", "5 in every sample seen"),
    ),
)

PATH_VERSION: Final = 1
PATH_TYPE: Final = 5

LOCATE = Structure(
    name="locate device",
    source=_SOURCE,
    size=28,
    fields=(
        Field("locate_type", 16, "I", "0 in the only sample seen"),
        Field("element", 20, "I", "the element whose path is searched for"),
        Field("parent_offset", 24, "I", "of the device searched on, from the descriptor's start"),
    ),
)
