"""What a listing amounts to: names of each kind, and the bytes behind them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verify.filesystem.entry import Entry


_NAMES = {"file": "files", "folder": "folders", "link": "links", "other": "others"}


@dataclass(slots=True)
class Tally:
    """Counts of names and streams; `bytes` counts a file with several names once."""

    kinds: dict[str, int] = field(default_factory=lambda: dict.fromkeys(_NAMES, 0))
    size_bytes: int = 0
    streams: int = 0
    stream_bytes: int = 0
    _linked: set[int] = field(default_factory=set)

    def add(self, entries: Iterable[Entry]) -> None:
        """Count entries."""
        for entry in entries:
            self.kinds[entry.kind] += 1
            if entry.links > 1 or entry.streams:
                self._add_further(entry)
            elif entry.kind == "file":
                self.size_bytes += entry.size

    def _add_further(self, entry: Entry) -> None:
        """Count an entry with streams, or with several names."""
        self.streams += len(entry.streams)
        if entry.links > 1 and entry.node in self._linked:
            return
        self.size_bytes += entry.size if entry.kind == "file" else 0
        self.stream_bytes += sum(stream.size for stream in entry.streams)
        if entry.links > 1:
            self._linked.add(entry.node)

    @property
    def counts(self) -> dict[str, int]:
        """The counts by their names in a manifest's listing."""
        kinds = {_NAMES[kind]: count for kind, count in self.kinds.items()}
        return {
            **kinds,
            "bytes": self.size_bytes,
            "streams": self.streams,
            "stream_bytes": self.stream_bytes,
        }
