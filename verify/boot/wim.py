"""The header of a WIM image: what the recovery environment is kept in."""

from __future__ import annotations

from verify.boot.boot_record import RecoveryImage
from verify.boot.device import guid_text
from verify.structs import wim
from verify.text.message import say

_RESOURCES = {
    "resource_table": say("resource table"),
    "xml_data": say("xml data"),
    "boot_metadata": say("boot metadata"),
    "integrity_table": say("integrity table"),
}


def read_image(head: bytes, path: str = "", size_bytes: int | None = None) -> RecoveryImage:
    """Read the header of a WIM image and hold it against the file's length.

    Args:
        head: its first 208 bytes or more.
        path: where it lies on its partition.
        size_bytes: its length, where known.
    """
    if not any(head):
        reason = (
            say("it is empty") if size_bytes == 0 or not head else say("its header is all zeros")
        )
        return RecoveryImage(path=path, size_bytes=size_bytes, problem=reason)
    if not head.startswith(wim.SIGNATURE) or len(head) < wim.HEADER.size:
        return RecoveryImage(path=path, size_bytes=size_bytes, problem=say("it has no WIM header"))
    header = wim.HEADER.parse(head)
    ends = {
        name: header.number(f"{name}_offset")
        + (header.number(f"{name}_size_and_flags") & wim.RESOURCE_SIZE_MASK)
        for name in _RESOURCES
    }
    flags = header.number("flags")
    return RecoveryImage(
        path=path,
        size_bytes=size_bytes,
        version=header.number("version"),
        flags=flags,
        guid=guid_text(header.raw("guid")),
        part_number=header.number("part_number"),
        total_parts=header.number("total_parts"),
        image_count=header.number("image_count"),
        boot_index=header.number("boot_index"),
        resources_end=max(ends.values()),
        problem=_problem(header.number("header_bytes"), flags, ends, size_bytes),
    )


def _problem(
    header_bytes: int, flags: int, ends: dict[str, int], size_bytes: int | None
) -> str | None:
    """Say the first thing about a header that cannot be right."""
    if header_bytes != wim.HEADER.size:
        return say(
            "its header says it is {header_bytes} bytes long, not {size}",
            header_bytes=header_bytes,
            size=wim.HEADER.size,
        )
    if flags & wim.FLAG_WRITE_IN_PROGRESS:
        return say("it was being written and was never finished")
    if not ends["resource_table"]:
        return say("it has no resource table")
    for name, end in ends.items():
        if size_bytes is not None and end > size_bytes:
            return say(
                "its {part} would end at byte {end} of {size_bytes}",
                part=_RESOURCES[name],
                end=end,
                size_bytes=size_bytes,
            )
    return None
