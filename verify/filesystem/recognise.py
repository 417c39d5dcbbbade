"""Which filesystem a partition holds, and what that says of itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from verify.filesystem.careful_reading import Candidate, Reader
from verify.filesystem.description import Filesystem
from verify.filesystem.exfat.describe import recognise_exfat
from verify.filesystem.ext.describe import recognise_ext
from verify.filesystem.fat.describe import recognise_fat
from verify.filesystem.ntfs.describe import recognise_ntfs
from verify.filesystem.opaque.describe import OPAQUE, recognise_bitlocker
from verify.filesystem.opaque.ldm import recognise_ldm_metadata
from verify.filesystem.opaque.members import recognise_isw, recognise_md
from verify.filesystem.searched import NotingDrive
from verify.source.window import Window

_KIND_OF_TYPE = {
    "E3C9E316-0B5C-4DB8-817D-F92DF00215AE": "msr",
    "5808C8AA-7E8F-42E0-85D2-E1E90434CFB3": "ldm",
    "05": "extended",
    "0F": "extended",
    "85": "extended",
}
"""Partitions whose type alone says what they are: they hold no filesystem of their own."""

_Recogniser = Callable[[Window], Candidate | None]

_COVERING: tuple[_Recogniser, ...] = (recognise_bitlocker, recognise_md, recognise_isw)
"""Kinds that lawfully show another filesystem at their start: BitLocker on removable drives has a
small FAT32 for systems that do not know it, and a mirror's member begins as the mirror does."""

_RECOGNISERS: tuple[_Recogniser, ...] = (
    recognise_ntfs,
    recognise_exfat,
    recognise_fat,
    recognise_ext,
    *OPAQUE,
)

_HEAD_BYTES = 4096


def recognise(window: Window, *, type_code: str = "") -> Filesystem:
    """Tell what the window holds and describe it from its own structures.

    `type_code`: the partition's type (a GUID or two hex digits); it decides only where the
    type means that there is no filesystem, and no second structure proves that there is one.
    Where several filesystems left their first structure, those count that a second structure
    bears out; if there is still more than one, the kind is `ambiguous`. Whatever the bytes are,
    there is an answer.

    Raises:
        SourceVanished: the drive is gone.
    """
    by_type = _KIND_OF_TYPE.get(type_code.upper())
    if by_type == "extended":
        return Filesystem(kind=by_type)
    noting = NotingDrive(window.drive)
    found = _described(replace(window, drive=noting), noting, by_type)
    missed = noting.missed(window.start)
    return replace(found, unread=(*found.unread, *missed)) if missed else found


def _described(window: Window, noting: NotingDrive, by_type: str | None) -> Filesystem:
    covering = [item for step in _COVERING if (item := noting.search(step, window))]
    for candidate in covering:
        if candidate.proven:
            return candidate.describe()
    found = [item for step in _RECOGNISERS if (item := noting.search(step, window))] + covering
    best = [candidate for candidate in found if candidate.proven]
    if by_type and not best:
        # NOTE: what nothing bears out in reserved space is left over from what was there before.
        ldm = by_type == "ldm"
        group = noting.search(recognise_ldm_metadata, window) if ldm else None
        return group.describe() if group else Filesystem(kind=by_type)
    best = best or found
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
