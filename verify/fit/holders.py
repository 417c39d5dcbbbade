"""What takes the room in a volume: its largest folders and kinds, and what stands in the way."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from verify.fit.fit_document import FitHolder, valid
from verify.text.message import Message, say

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verify.filesystem.entry import Entry
    from verify.manifest.header import Partition

_DEPTH = 2
_MOST = 8
_MOST_NAMES = 100_000
"""Names kept while counting; what comes behind them is counted as `others`."""

# SPEC: Microsoft Learn, "Shrink a basic volume": some files (the page file, the shadow copy storage
# area) cannot be moved, and the volume cannot be shrunk beyond the place where they lie.
_FIXED_FILES = frozenset({"/pagefile.sys", "/hiberfil.sys", "/swapfile.sys"})
_FIXED_FOLDER = "/system volume information/"


@dataclass(frozen=True, slots=True)
class Fixed:
    """A file that the running system does not move, and where in the volume it ends, in bytes."""

    path: str
    end: int


@dataclass(slots=True)
class Held:
    """What was found: holders, largest first; the end of the last file; the fixed one furthest."""

    holders: tuple[FitHolder, ...] = ()
    last_end: int = 0
    fixed: Fixed | None = None


def look_into(partition: Partition, entries: Iterable[Entry]) -> Held:
    """Sum up a listing; hard links count once."""
    folders, kinds = _Sums(), _Sums()
    held, seen = Held(), set[int]()
    for entry in entries:
        if entry.kind != "file" or (entry.links > 1 and entry.node in seen):
            continue
        if entry.links > 1:
            seen.add(entry.node)
        size = entry.size + sum(stream.size for stream in entry.streams)
        folders.add(_folder(entry.path), size)
        kinds.add(PurePosixPath(entry.path).suffix.lower() or say("(none)"), size)
        if partition.filesystem.traits.from_start and entry.extents:
            _place(held, partition, entry)
    held.holders = (*folders.largest("folder"), *kinds.largest("kind"))
    return held


class _Sums:
    """Bytes and files by name."""

    def __init__(self) -> None:
        self.bytes: Counter[str] = Counter()
        self.files: Counter[str] = Counter()

    def add(self, name: str, size: int) -> None:
        if name not in self.bytes and len(self.bytes) >= _MOST_NAMES:
            name = say("(others)")
        self.bytes[name] += size
        self.files[name] += 1

    def largest(self, kind: str) -> list[FitHolder]:
        ranked = sorted(self.bytes.items(), key=lambda item: (-item[1], item[0]))
        return [
            FitHolder.model_validate(
                {
                    "kind": kind,
                    "name": name if isinstance(name, Message) else valid(name),
                    "bytes": size,
                    "files": self.files[name],
                }
            )
            for name, size in ranked[:_MOST]
            if size
        ]


def _folder(path: str) -> str:
    """Return the folder a file is counted to: two levels below the root at most."""
    parts = path.split("/")[1:-1][:_DEPTH]
    return "/" + "/".join(parts)


def _place(held: Held, partition: Partition, entry: Entry) -> None:
    cluster = partition.filesystem.cluster_bytes or 0
    end = max(first + count for first, count in entry.extents) * cluster
    held.last_end = max(held.last_end, end)
    lowered = entry.path.lower()
    fixed = lowered in _FIXED_FILES or lowered.startswith(_FIXED_FOLDER)
    if (
        fixed
        and partition.filesystem.kind == "ntfs"
        and end > (held.fixed.end if held.fixed else 0)
    ):
        held.fixed = Fixed(valid(entry.path), end)
