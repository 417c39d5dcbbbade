"""Whom unreadable sectors belong to: every file, stream, folder or structure, by name.

Asked only where a drive failed, whatever the depth: a sector that failed while something else was
read may be one of a file that no sample drew.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.errors import PastEnd, ReaderError, SourceUnreadable
from verify.filesystem.volume import MOST_EXTENTS, Place
from verify.source.bad_ranges import BadRanges

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.capture.row_store import RowStore
    from verify.filesystem.entry import Entry
    from verify.filesystem.volume import Volume

MOST_OWNERS = 10_000
"""Owners named of one filesystem; the rest of a drive that lost more is not reported one by one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Owner:
    """What `length` unreadable bytes from byte `start` of the partition belong to.

    `what`: `file`, `stream`, `folder`, `link`, `other`; `structure` of the filesystem; `free`:
    nothing's, by the allocation map or since the whole listing was searched; `unknown`.
    """

    start: int
    length: int
    what: str
    name: str | None = None


def find_owners(
    bad: Iterable[tuple[int, int]], store: RowStore, volume: Volume, *, complete: bool
) -> list[Owner]:
    """Return the owners of byte ranges (start, length) of the volume, each range's together.

    `complete`: every name was listed, so that what nobody owns is free.
    """
    ranges = BadRanges.of(bad)
    if not ranges:
        return []
    found: list[Owner] = []
    for what, place in _everything(store, volume):
        for first, last in ranges.parts_of(place.start, place.start + place.length):
            if len(found) < MOST_OWNERS:
                owner = Owner(start=first, length=last - first, what=what, name=place.name)
                found.append(owner)
    found += _unowned(ranges, found, "free" if complete else "unknown")
    return sorted(found, key=lambda owner: (owner.start, owner.what, owner.name or ""))


def _everything(store: RowStore, volume: Volume) -> Iterator[tuple[str, Place]]:
    """Yield every place that something owns, with what it is."""
    for place in volume.structures():
        yield "structure", place
    for number in range(len(store)):
        entry = store.entry(number)
        try:
            for place in places_of(entry, volume):
                whole = place.name in {None, entry.path}
                yield (
                    entry.kind if whole else "stream",
                    Place(place.name or entry.path, place.start, place.length),
                )
        except (ReaderError, SourceUnreadable, PastEnd):
            continue  # its own record is unreadable: a structure's place, told as such


def places_of(entry: Entry, volume: Volume) -> Iterable[Place]:
    """Return where an entry's bytes lie; from its row where that holds all of them."""
    plain = entry.kind == "file" and not entry.streams and len(entry.extents) < MOST_EXTENTS
    if plain:
        return [volume.place(first, count) for first, count in entry.extents]
    return volume.places(entry)


def _unowned(ranges: BadRanges, owned: list[Owner], what: str) -> Iterator[Owner]:
    """Yield what is left of the ranges."""
    covered = BadRanges.of((owner.start, owner.length) for owner in owned)
    for start, end in ranges:
        at = start
        for first, last in covered.parts_of(start, end):
            if first > at:
                yield Owner(start=at, length=first - at, what=what)
            at = last
        if at < end:
            yield Owner(start=at, length=end - at, what=what)
