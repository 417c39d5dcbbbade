"""Whether a WIM image is whole by its header and its resource table.

The resources themselves are read, and hashed, as any other file is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.boot.file_form import FileForm
from verify.boot.wim import read_image
from verify.structs import wim
from verify.text.message import Message, say
from verify.units import MIB

if TYPE_CHECKING:
    from verify.boot.form_reading import FormReading

MOST_TABLE_BYTES = 16 * MIB
"""The most that is read of a resource table: some 335,000 rows."""


def examine(reading: FormReading) -> FileForm:
    """Hold an image against its header and its resource table."""
    head = reading.part(0, wim.HEADER.size)
    image = read_image(head, "", reading.size_bytes)
    if image.problem is not None:
        fault = say("is damaged: {problem}", problem=image.problem)
        return FileForm(path="", form="image", faults=(fault,))
    header = wim.HEADER.parse(head)
    faults: list[Message] = []
    count, boot_index = header.number("image_count"), header.number("boot_index")
    if boot_index > count:
        faults.append(
            say("starts image {boot_index} of {count}", boot_index=boot_index, count=count)
        )
    row_fault = _table_fault(
        reading,
        header.number("resource_table_offset"),
        header.number("resource_table_size_and_flags"),
        header.number("part_number"),
    )
    if row_fault is not None:
        faults.append(row_fault)
    return FileForm(path="", form="image", faults=tuple(faults), boot_index=boot_index)


def _table_fault(
    reading: FormReading, offset: int, size_and_flags: int, part: int
) -> Message | None:
    """Return the first row of the resource table that leads past the end of the file."""
    size, flags = size_and_flags & wim.RESOURCE_SIZE_MASK, size_and_flags >> wim.FLAGS_SHIFT
    if flags & wim.RESOURCE_COMPRESSED:
        return None  # NOTE: no writer at hand does that
    row_bytes = wim.RESOURCE_ROW.size
    if size % row_bytes:
        return say("has a resource table of {size} bytes, no whole number of rows", size=size)
    table = reading.part(offset, min(size, MOST_TABLE_BYTES // row_bytes * row_bytes))
    for at in range(0, len(table), row_bytes):
        row = wim.RESOURCE_ROW.parse(table[at : at + row_bytes], offset + at)
        told = row.number("size_and_flags")
        solid = (told >> wim.FLAGS_SHIFT) & wim.RESOURCE_SOLID
        end = row.number("offset") + (told & wim.RESOURCE_SIZE_MASK)
        # NOTE: in solid images a row may count from the start of what is packed together.
        if not solid and row.number("part_number") == part and end > reading.size_bytes:
            return say(
                "has a resource that would end at byte {end} of {size_bytes}",
                end=end,
                size_bytes=reading.size_bytes,
            )
        if not row.number("references") and not any(row.raw("hash")):
            return say("has an empty row in its resource table at byte {at}", at=offset + at)
    return None
