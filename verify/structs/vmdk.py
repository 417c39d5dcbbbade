"""Virtual machine disk files (VMDK) on disk.

Source: Virtual Disk Format 5.0 technical note (2011), whose names these are.
"""

from __future__ import annotations

from verify.structs.base import Field, Structure

MAGIC = b"KDMV"
FIRST_LINE = b"# Disk DescriptorFile"
"""How a descriptor begins that is a file of its own."""

OLD_SPARSE_MAGIC = b"COWD"
SE_SPARSE_MAGIC = b"\xbe\xba\xfe\xca\x00\x00\x00\x00"
SECTOR_BYTES = 512
ENTRIES_PER_TABLE = 512
SMALLEST_GRAIN = 8
"""Sectors; the note says "greater than 8", and makers write 8."""
AT_END = (1 << 64) - 1
"""gdOffset of a stream whose grain directory is named by a copy of the header at the end."""

HAS_NEWLINE_TEST, HAS_REDUNDANT_TABLE, HAS_ZEROED_GRAINS = 1 << 0, 1 << 1, 1 << 2
HAS_COMPRESSED_GRAINS, HAS_MARKERS = 1 << 16, 1 << 17
KNOWN_FLAGS = (
    HAS_NEWLINE_TEST | HAS_REDUNDANT_TABLE | HAS_ZEROED_GRAINS | HAS_COMPRESSED_GRAINS | HAS_MARKERS
)
NEWLINE_TEST = b"\n \r\n"
DEFLATE = 1

HEADER = Structure(
    "VMDK sparse extent header",
    "Virtual Disk Format 5.0, Hosted Sparse Extent Header",
    512,
    (
        Field("magicNumber", 0, "4s", "'KDMV'"),
        Field("version", 4, "I", "1, 2 or 3"),
        Field("flags", 8, "I", "see `KNOWN_FLAGS`"),
        Field("capacity", 12, "Q", "sectors"),
        Field("grainSize", 20, "Q", "sectors, a power of two above 8"),
        Field("descriptorOffset", 28, "Q", "sectors; 0: no descriptor in this file"),
        Field("descriptorSize", 36, "Q", "sectors"),
        Field("numGTEsPerGT", 44, "I", "512"),
        Field("rgdOffset", 48, "Q", "sectors, the redundant grain directory"),
        Field("gdOffset", 56, "Q", "sectors, the grain directory; all ones: see the end"),
        Field("overHead", 64, "Q", "sectors in front of the grains"),
        Field("uncleanShutdown", 72, "B", "1: it was not closed"),
        Field("newLineTest", 73, "4s", "what a transfer as text would change"),
        Field("compressAlgorithm", 77, "H", "0 none, 1 deflate"),
    ),
)

MARKER = Structure(
    "VMDK marker",
    "Virtual Disk Format 5.0, Markers",
    16,
    (
        Field("val", 0, "Q", "of a grain its sector on the disk, else sectors that follow"),
        Field("size", 8, "I", "of a grain its bytes as they are compressed, else 0"),
        Field("type", 12, "I", "0 end of stream, 1 grain table, 2 directory, 3 footer"),
    ),
)
GRAIN_MARKER_BYTES = 12
"""A grain's bytes begin in place of `type`."""

END_OF_STREAM, FOOTER_MARKER = 0, 3
