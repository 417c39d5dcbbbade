"""Which filesystem a partition holds, and what that says of itself."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from verify.filesystem.exfat import recognise_exfat
from verify.filesystem.ext import recognise_ext
from verify.filesystem.fat import recognise_fat
from verify.filesystem.model import Filesystem
from verify.filesystem.ntfs import recognise_ntfs
from verify.filesystem.reading import Reader

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.filesystem.reading import Candidate
    from verify.source.window import Window

_KIND_OF_TYPE = {
    "E3C9E316-0B5C-4DB8-817D-F92DF00215AE": "msr",
    "5808C8AA-7E8F-42E0-85D2-E1E90434CFB3": "ldm",
    "05": "extended",
    "0F": "extended",
    "85": "extended",
}
"""Partitions whose type alone says what they are: they hold no filesystem of their own."""

_RECOGNISERS: tuple[Callable[[Window], Candidate | None], ...] = (
    recognise_ntfs,
    recognise_exfat,
    recognise_fat,
    recognise_ext,
)

_HEAD_BYTES = 4096


def recognise(window: Window, *, type_code: str = "") -> Filesystem:
    """Tell what the window holds and describe it from its own structures.

    `type_code`: the partition's type (a GUID or two hex digits); it decides only where the
    type means that there is no filesystem. Where several filesystems left their first structure,
    those count that a second structure bears out; if there is still more than one, the kind is
    `ambiguous`. Whatever the bytes are, there is an answer.

    Raises:
        SourceVanished: the drive is gone.
    """
    by_type = _KIND_OF_TYPE.get(type_code.upper())
    if by_type:
        return Filesystem(kind=by_type)
    found = [candidate for step in _RECOGNISERS if (candidate := step(window))]
    best = [candidate for candidate in found if candidate.proven] or found
    if not best:
        return _unknown(window)
    if len(best) > 1:
        return Filesystem(kind="ambiguous", candidates=tuple(item.kind for item in best))
    described = best[0].describe()
    others = tuple(item.kind for item in found if item is not best[0])
    return replace(described, candidates=others) if others else described


def _unknown(window: Window) -> Filesystem:
    """Say that nothing was recognised, and where something might have stood unread."""
    reader = Reader(window)
    reader.read(0, min(_HEAD_BYTES, window.size_bytes), "first sectors")
    return Filesystem(kind="unknown", unread=tuple(reader.unread))
