"""Evidence files (E01, version 1 of the Expert Witness Format) on disk.

Source: Expert Witness Compression Format, version 1 (libewf documentation), whose names these are.
Every checksum is Adler-32 over the bytes in front of it.
"""

from __future__ import annotations

from verify.structs.base import Field, Structure

SIGNATURE = b"EVF\x09\x0d\x0a\xff\x00"
LOGICAL_SIGNATURE = b"LVF\x09\x0d\x0a\xff\x00"
SIGNATURES_OF_VERSION_2 = (b"EVF2\x0d\x0a\x81\x00", b"LEF2\x0d\x0a\x81\x00")

CHECKSUM_BYTES = 4
IS_COMPRESSED = 0x8000_0000
"""Of a table's entry; the other bits are the chunk's place, from the table's base offset."""

FILE_HEADER = Structure(
    "E01 file header",
    "EWF 1, File header",
    13,
    (
        Field("Signature", 0, "8s", "'EVF', tab, CR, LF, FF 00"),
        Field("FieldsStart", 8, "B", "1"),
        Field("SegmentNumber", 9, "H", "1 in the first file"),
        Field("FieldsEnd", 11, "H", "0"),
    ),
)

SECTION = Structure(
    "E01 section descriptor",
    "EWF 1, Section descriptor",
    76,
    (
        Field("Type", 0, "16s", "its name"),
        Field("NextOffset", 16, "Q", "of the next one in this file; its own in the last"),
        Field("Size", 24, "Q", "bytes, this descriptor included"),
        Field("Checksum", 72, "I", "over the 72 bytes in front of it"),
    ),
)

VOLUME = Structure(
    "E01 volume section",
    "EWF 1, Volume section, EWF specification",
    1052,
    (
        Field("MediaType", 0, "B", "0 removable, 1 fixed, 3 optical, 14 logical, 16 memory"),
        Field("ChunkCount", 4, "I"),
        Field("SectorsPerChunk", 8, "I"),
        Field("BytesPerSector", 12, "I"),
        Field("SectorCount", 16, "Q"),
        Field("MediaFlags", 36, "B", "1 an image, 2 a physical drive"),
        Field("SetIdentifier", 64, "16s"),
        Field("Checksum", 1048, "I"),
    ),
)

TABLE = Structure(
    "E01 table section",
    "EWF 1, Table section",
    24,
    (
        Field("EntryCount", 0, "I"),
        Field("BaseOffset", 8, "Q", "what the entries count from"),
        Field("Checksum", 20, "I"),
    ),
)

HASH = Structure(
    "E01 hash section",
    "EWF 1, Hash section",
    36,
    (Field("MD5", 0, "16s", "of the drive's bytes"), Field("Checksum", 32, "I")),
)

DIGEST = Structure(
    "E01 digest section",
    "EWF 1, Digest section",
    80,
    (
        Field("MD5", 0, "16s", "of the drive's bytes"),
        Field("SHA1", 16, "20s", "of the drive's bytes"),
        Field("Checksum", 76, "I"),
    ),
)

ERRORS = Structure(
    "E01 error2 section",
    "EWF 1, Error2 section",
    520,
    (Field("EntryCount", 0, "I"), Field("Checksum", 516, "I")),
)

ERROR_ENTRY = Structure(
    "E01 error2 entry",
    "EWF 1, Error2 section",
    8,
    (
        Field("FirstSector", 0, "I", "that could not be read when the image was made"),
        Field("SectorCount", 4, "I"),
    ),
)
