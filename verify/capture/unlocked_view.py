"""A view of a partition: what its files are read through in the place of the drive.

Of an encrypted partition it is unlocked, and read beside it. Of a plain one it is a snapshot that
exists, so that the files of a volume in use are those of one moment: a shadow copy of Windows, a
logical volume, or an image of either. None is ever made here. A snapshot holds the very filesystem
of its partition, by kind, identifier and size, and is no partition itself.

Whoever has the key unlocks the volume read-only by the system's own means; what appears then (a
mapped device, or a file) is handed in beside the drive. It is tied to its partition by the
volume's identifier where the kernel's device mapper names it, else by its size alone, and which
of the two is recorded.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Literal

from verify.capture.readers.task import Task
from verify.errors import SourceError, ViewRefused
from verify.filesystem.description import LOCKED_KINDS, READABLE_KINDS, Filesystem
from verify.filesystem.recognise import recognise
from verify.platforms.this import PLATFORM
from verify.source.drive import Drive, open_drive
from verify.source.window import Window
from verify.text.message import say

LARGEST_HEADER_BYTES = 64 << 20
"""How much shorter than its partition a view may be: LUKS2 keeps 16 MiB in front as a rule."""

Tie = Literal["identity", "size"]

_ENCRYPTED = re.compile(r"CRYPT-(?:LUKS[12]|BITLK)-([0-9a-f]{32})-", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A view that may stand for a partition's contents."""

    path: str
    file_id: str
    size_bytes: int
    sector_bytes: int
    filesystem: Filesystem
    tie: Tie
    is_snapshot: bool = False

    def task(self, *, raw: bool = False, **how: Any) -> Task:
        """Return the task to read its files; `how`: all that is not the view's own."""
        return Task(
            drive=self.path,
            file_id=self.file_id,
            start=0,
            size_bytes=self.size_bytes,
            sector_bytes=self.sector_bytes,
            device_sector_bytes=self.sector_bytes,
            kind=self.filesystem.kind,
            raw=raw,
            **how,
        )


def look_at_view(path: str, number: int, window: Window, outer: Filesystem) -> Seen:
    """Hold a view against partition `number`, which `window` shows and `outer` describes.

    Raises:
        ViewRefused: it is not a view of this partition, or holds no filesystem whose files can be
        read.
    """
    if outer.kind not in LOCKED_KINDS | READABLE_KINDS:
        reason = say(
            "the partition is not encrypted, and its files cannot be read ({kind})", kind=outer.kind
        )
        raise ViewRefused(path, number, reason)
    try:
        with open_drive(path) as view:
            if outer.kind in LOCKED_KINDS:
                return _held(view, number, window, outer)
            return _snapshot(view, number, window, outer)
    except SourceError as error:
        raise ViewRefused(path, number, say("{error:clause}", error=str(error))) from error


def _held(view: Drive, number: int, window: Window, outer: Filesystem) -> Seen:
    path, size = view.name, view.size_bytes
    if not window.size_bytes - LARGEST_HEADER_BYTES <= size <= window.size_bytes:
        reason = say("it has {size} bytes, the partition {own}", size=size, own=window.size_bytes)
        raise ViewRefused(path, number, reason)
    tie = tie_of(PLATFORM.mapped_identity(path), outer)
    if tie is None:
        raise ViewRefused(path, number, say("it belongs to another encrypted volume"))
    filesystem = recognise(Window(view, 0, size, view.sector_bytes))
    if filesystem.kind not in READABLE_KINDS:
        raise ViewRefused(
            path, number, say("no files can be read in it ({kind})", kind=filesystem.kind)
        )
    return Seen(
        path=path,
        file_id=view.identity.file_id,
        size_bytes=size,
        sector_bytes=view.sector_bytes,
        filesystem=filesystem,
        tie=tie,
    )


def _snapshot(view: Drive, number: int, window: Window, outer: Filesystem) -> Seen:
    path, size, part = view.name, view.size_bytes, view.identity.part_of
    if part is not None and part.by == "partition":
        raise ViewRefused(path, number, say("it is a partition of a drive, not a snapshot"))
    if isinstance(window.drive, Drive) and window.drive.identity.file_id == view.identity.file_id:
        raise ViewRefused(path, number, say("it is the drive itself"))
    if not (outer.size_bytes or 0) <= size <= window.size_bytes:
        reason = say(
            "it has {size} bytes, the partition {own} and its filesystem {inner}",
            size=size,
            own=window.size_bytes,
            inner=outer.size_bytes or 0,
        )
        raise ViewRefused(path, number, reason)
    found = recognise(Window(view, 0, size, view.sector_bytes))
    for what in ("kind", "id", "size_bytes", "cluster_bytes"):
        own, other = getattr(outer, what), getattr(found, what)
        if own != other:
            reason = say("its filesystem differs: {other}, not {own}", other=other, own=own)
            raise ViewRefused(path, number, reason)
    return Seen(
        path=path,
        file_id=view.identity.file_id,
        size_bytes=size,
        sector_bytes=view.sector_bytes,
        filesystem=found,
        tie="size" if outer.id is None else "identity",
        is_snapshot=True,
    )


def tie_of(mapped: str | None, outer: Filesystem) -> Tie | None:
    """Return what ties a view to an encrypted volume; `None`: it is known to be another's.

    `mapped`: the identity that the device mapper has of the view, such as
    `CRYPT-LUKS2-0123…-name` (libcryptsetup names what it maps so; from memory).
    """
    found = _ENCRYPTED.match(mapped or "")
    if found is None or outer.id is None:
        return "size"
    return "identity" if found[1].upper() == outer.id.replace("-", "").upper() else None
