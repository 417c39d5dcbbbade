"""What an LVM physical volume says of its group: its name, and which volumes belong to it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.filesystem.careful_reading import UNREADABLE
from verify.structs.opaque import LVM_AREA, LVM_METADATA

if TYPE_CHECKING:
    from verify.source.window import Window

_MAGIC = b" LVM2 x[5A%r0N*>"
_HEADER_BYTES = 512
_MOST_AREAS = 16
_MOST_TEXT_BYTES = 4 << 20

_NAME = re.compile(r"\A([A-Za-z0-9+_.-]+)\s*\{")
_VOLUME = re.compile(r'\bpv\d+\s*\{\s*id\s*=\s*"([A-Za-z0-9-]{38})"')
_CACHE = re.compile(r'\btype\s*=\s*"(cache|writecache|cache-pool)')


@dataclass(frozen=True, slots=True)
class VolumeGroup:
    """A group's name, its physical volumes' identifiers, and whether some volume has a cache."""

    name: str
    volumes: tuple[str, ...]
    cached: bool


def read_group(window: Window, areas: bytes) -> VolumeGroup | None:
    """Return the group that the metadata names; `None` where there is no metadata to read.

    `areas` are the bytes behind the physical volume's header: data areas, then metadata areas,
    each list ended by zeros (lvm2, lib/format_text/layout.h, pv_header and disk_locn).
    """
    lists: list[list[tuple[int, int]]] = [[]]
    for at in range(0, min(len(areas), _MOST_AREAS * LVM_AREA.size), LVM_AREA.size):
        if at + LVM_AREA.size > len(areas) or len(lists) > 2:  # noqa: PLR2004 - two lists
            break
        area = LVM_AREA.parse(areas[at:])
        if area.number("offset"):
            lists[-1].append((area.number("offset"), area.number("size")))
        else:
            lists.append([])
    for offset, size in lists[1] if len(lists) > 1 else ():
        try:
            text = _text(window, offset, size)
        except UNREADABLE:
            continue
        name = _NAME.match(text)
        if name:
            return VolumeGroup(name[1], tuple(_VOLUME.findall(text)), bool(_CACHE.search(text)))
    return None


def _text(window: Window, offset: int, size: int) -> str:
    """Return a metadata area's current text; it may run over the area's end to its start."""
    data = window.read(offset, _HEADER_BYTES)
    header = LVM_METADATA.parse(data, offset)
    start, length = header.number("text_offset"), header.number("text_size")
    if header.raw("magic") != _MAGIC or not _HEADER_BYTES <= start < size:
        return ""
    length = min(length, size - _HEADER_BYTES, _MOST_TEXT_BYTES)
    first = min(length, size - start)
    text = window.read(offset + start, first)
    if first < length:
        text += window.read(offset + _HEADER_BYTES, length - first)
    return text.decode("utf-8", "replace")
