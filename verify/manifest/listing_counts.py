"""What a listing amounts to: names of each kind, and the bytes behind them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verify.manifest.partition_contents import Listing

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verify.filesystem.entry import Entry


_KINDS = ("file", "folder", "link", "other")


@dataclass(slots=True)
class ListingCounts:
    """Counts of names and streams.

    `linked`: of each file with several names, its node, its bytes, and those of its named streams;
    they count once, when counts are added to others.
    """

    kinds: dict[str, int] = field(default_factory=lambda: dict.fromkeys(_KINDS, 0))
    size_bytes: int = 0
    streams: int = 0
    stream_bytes: int = 0
    linked: list[tuple[int, int, int]] = field(default_factory=list)
    _seen: set[int] = field(default_factory=set)

    @classmethod
    def of(cls, entries: Iterable[Entry]) -> ListingCounts:
        """Count entries."""
        counts = cls()
        for entry in entries:
            is_file = entry.kind == "file"
            counts.kinds[entry.kind] += 1
            if entry.streams or (is_file and entry.links > 1):
                counts._add_further(entry)
            elif is_file:
                counts.size_bytes += entry.size
        return counts

    def _add_further(self, entry: Entry) -> None:
        """Count the bytes of an entry with streams, or with several links."""
        size = entry.size if entry.kind == "file" else 0
        in_streams = sum(stream.size for stream in entry.streams)
        self.streams += len(entry.streams)
        # NOTE: NTFS counts a short name as a link.
        if entry.kind == "file" and entry.links - (entry.short is not None) > 1:
            self.linked.append((entry.node, size, in_streams))
        else:
            self.size_bytes += size
            self.stream_bytes += in_streams

    def add(self, other: ListingCounts) -> None:
        """Add what was counted of further entries."""
        for kind, count in other.kinds.items():
            self.kinds[kind] += count
        self.size_bytes += other.size_bytes
        self.streams += other.streams
        self.stream_bytes += other.stream_bytes
        for node, size, in_streams in other.linked:
            if node not in self._seen:
                self._seen.add(node)
                self.size_bytes += size
                self.stream_bytes += in_streams

    def listing(self, *, complete: bool) -> Listing:
        """Return the listing that these are the counts of."""
        return Listing(
            files=self.kinds["file"],
            folders=self.kinds["folder"],
            links=self.kinds["link"],
            others=self.kinds["other"],
            bytes=self.size_bytes,
            streams=self.streams,
            stream_bytes=self.stream_bytes,
            complete=complete,
        )
