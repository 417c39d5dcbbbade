"""The base block of a registry hive.

Only what tells the state of the hive is read here; its keys are read by a library.
"""

from __future__ import annotations

from verify.structs.base import Field, Structure

SIGNATURE = b"regf"

BASE_BLOCK_BYTES = 4096
"""The base block's whole length; hive bins start behind it."""

BASE_BLOCK = Structure(
    name="registry base block",
    # NOTE: Microsoft prints no table of it; offsets from memory of the open descriptions, and
    # held against real hives by a test (sequence numbers, length, checksum).
    source="open descriptions of the REGF format; not documented by Microsoft",
    size=512,
    fields=(
        Field("signature", 0, "4s", "regf"),
        Field("primary_sequence", 4, "I", "written before the hive is"),
        Field("secondary_sequence", 8, "I", "written after it; differs while a write is pending"),
        Field("last_written", 12, "Q", "FILETIME"),
        Field("major_version", 20, "I", "1"),
        Field("minor_version", 24, "I", "3, 5 …"),
        Field("type", 28, "I", "0: a hive, else a log"),
        Field("format", 32, "I", "1: loaded straight into memory"),
        Field("root_cell_offset", 36, "I", "from the first hive bin"),
        Field("hive_bins_bytes", 40, "I", "length of all hive bins"),
        Field("clustering_factor", 44, "I", "sectors of the log"),
        Field("file_name", 48, "64s", "end of the hive's path, UTF-16LE"),
        Field("checksum", 508, "I", "of the 508 bytes before it"),
    ),
)

BIN_SIGNATURE = b"hbin"

BIN_HEADER = Structure(
    name="registry hive bin",
    source="open descriptions of the REGF format; not documented by Microsoft",
    size=32,
    fields=(
        Field("signature", 0, "4s", "hbin"),
        Field("offset", 4, "I", "from the first hive bin"),
        Field("bytes", 8, "I", "of the bin with its cells, a multiple of 4,096"),
    ),
)

LEAST_CELL_BYTES = 8
"""Cells follow each other to the end of their bin, each a multiple of this; a negative length is
that of a cell in use."""

KEY_SIGNATURE = b"nk"

VALUE_SIGNATURE = b"vk"

RESIDENT = 0x80000000
"""Set in a value's size where its data lies in the value's own cell."""

VALUE = Structure(
    name="registry value",
    source="open descriptions of the REGF format; not documented by Microsoft",
    size=20,
    fields=(
        Field("signature", 0, "2s", "vk"),
        Field("name_bytes", 2, "H"),
        Field("size", 4, "I", "of the data; see RESIDENT"),
        Field("data_offset", 8, "4s", "of the data's cell, or the data itself"),
        Field("type", 12, "I"),
        Field("flags", 16, "H"),
    ),
)


def base_block_checksum(data: bytes) -> int:
    """Return what the checksum of a base block should be; `data` holds its first 508 bytes.

    XOR of the 127 little-endian words, with 0 stored as 1 and all ones as all ones less one.
    """
    value = 0
    for place in range(0, 508, 4):
        value ^= int.from_bytes(data[place : place + 4], "little")
    return {0: 1, 0xFFFFFFFF: 0xFFFFFFFE}.get(value, value)
