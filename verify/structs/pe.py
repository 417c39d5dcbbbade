"""The headers of a PE image: what loaders and drivers are.

Source: Microsoft Learn, "PE Format".
"""

from __future__ import annotations

from verify.structs.base import Field, Structure

_SOURCE = 'Microsoft Learn, "PE Format"'

DOS_SIGNATURE = b"MZ"
PE_SIGNATURE = b"PE\0\0"

DOS_HEADER = Structure(
    name="MS-DOS header",
    source=_SOURCE,
    size=64,
    fields=(
        Field("signature", 0, "2s", "MZ"),
        Field("pe_offset", 0x3C, "I", "of the PE signature"),
    ),
)

COFF_HEADER = Structure(
    name="PE file header",
    source=_SOURCE,
    size=24,
    fields=(
        Field("signature", 0, "4s", "PE and two zero bytes"),
        Field("machine", 4, "H", "see MACHINES"),
        Field("sections", 6, "H", "rows of the section table"),
        Field("time_stamp", 8, "I"),
        Field("optional_header_bytes", 20, "H"),
        Field("characteristics", 22, "H"),
    ),
)

CHECKSUM_OFFSET = 64
"""Of the checksum in the optional header."""

OPTIONAL_HEADER = Structure(
    name="PE optional header",
    source=_SOURCE,
    size=70,
    fields=(
        Field("magic", 0, "H", "0x10B PE32, 0x20B PE32+"),
        Field("image_bytes", 56, "I", "of the image in memory"),
        Field("checksum", CHECKSUM_OFFSET, "I", "of the whole file; 0: none"),
        Field("subsystem", 68, "H", "1 native, 10 EFI application …"),
    ),
)

SECTION_HEADER = Structure(
    name="PE section header",
    source=_SOURCE,
    size=40,
    fields=(
        Field("name", 0, "8s", "padded with zeros"),
        Field("raw_bytes", 16, "I", "of the section in the file"),
        Field("raw_offset", 20, "I", "of the section in the file"),
    ),
)

MACHINES = {
    0x014C: "x86",
    0x8664: "x64",
    0x01C0: "arm",
    0x01C2: "thumb",
    0x01C4: "armnt",
    0xAA64: "arm64",
    0x0200: "ia64",
    0x5032: "riscv32",
    0x5064: "riscv64",
    0x6232: "loongarch32",
    0x6264: "loongarch64",
}
"""Machine types by number."""
