"""The clusters that an NTFS volume's records name, against each other and against $Bitmap.

Source: libfsntfs, NTFS format, '$Bitmap': one bit a cluster, the lowest bit of a byte first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from verify.filesystem.examination import Effect, Fault
from verify.filesystem.ntfs.examined_volume import BITMAP, FaultyError, Whole
from verify.filesystem.ntfs.records import DATA_TYPE
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from verify.filesystem.ntfs.examined_volume import Examined, Gathered, Numbers

CLUSTERS = "$Bitmap"
_STEP_BYTES = 4 << 20
_WORD_BITS = 64
_ALL = np.uint64(0xFFFFFFFFFFFFFFFF)

Spans = tuple["Numbers", "Numbers"]
"""First clusters, and the clusters behind the last ones; in order, apart from each other."""


def hold_allocation(volume: Examined, gathered: Gathered) -> None:
    """Hold every cluster of every record: marked in use, and of one owner."""
    starts, counts, owners = (
        np.concatenate([np.zeros(0, np.int64), *(part[index] for part in gathered.runs)])
        for index in range(3)
    )
    order = np.argsort(starts, kind="stable")
    starts, owners = starts[order], owners[order]
    ends = starts + counts[order]
    volume.allocation.compared(int(counts.sum()))
    _hold_owners(volume, starts, ends, owners)
    whole = gathered.kept.get((BITMAP, DATA_TYPE, ""))
    if whole is None:
        volume.allocation.leave_out(say("$Bitmap: its record cannot be read"))
        return
    try:
        marked = _marked(volume, whole)
    except FaultyError as error:
        volume.faulty(error, Effect.REFUSED, CLUSTERS, BITMAP)
        volume.allocation.leave_out(say("$Bitmap: it cannot be read whole"))
        return
    owned = _merged(starts, ends)
    free, between = _without(owned, marked), _without(marked, owned)
    below = _lengths_below(free, ends) - _lengths_below(free, starts)
    for index in np.nonzero(below)[0].tolist():
        _tell(
            volume,
            Effect.OVERWRITTEN,
            say("record {number}", number=owners[index]),
            say(
                "{free} of a run's {count} clusters free",
                free=below[index],
                count=ends[index] - starts[index],
            ),
            say("all in use"),
            starts[index],
            owners[index],
        )
    if len(between[0]):
        _tell(
            volume,
            Effect.WASTED,
            say("volume"),
            say("{count} clusters in use without an owner", count=(between[1] - between[0]).sum()),
            say("an owner"),
            between[0][0],
            None,
        )


def _hold_owners(volume: Examined, starts: Numbers, ends: Numbers, owners: Numbers) -> None:
    """Tell of clusters that two runs name."""
    if not len(starts):
        return
    reach = np.maximum.accumulate(ends)
    furthest = np.maximum.accumulate(np.where(ends == reach, np.arange(len(ends)), 0))
    for index in (np.nonzero(starts[1:] < reach[:-1])[0] + 1).tolist():
        before = furthest[index - 1]
        shared = min(ends[before], ends[index]) - starts[index]
        pair = sorted((int(owners[before]), int(owners[index])))
        _tell(
            volume,
            Effect.OVERWRITTEN,
            say("record {number}", number=pair[0]),
            say("{count} clusters shared with record {number}", count=shared, number=pair[1]),
            say("one owner"),
            starts[index],
            pair[0],
        )


def _tell(  # noqa: PLR0913, PLR0917 - what a fault tells
    volume: Examined,
    effect: Effect,
    place: str,
    stored: str,
    expected: str,
    cluster: int,
    node: int | None,
) -> None:
    volume.allocation.fault(
        Fault(
            effect=effect,
            structure=CLUSTERS,
            place=place,
            field=say("clusters"),
            stored=stored,
            expected=expected,
            offset=int(cluster) * volume.sizes.cluster_bytes,
            node=None if node is None else int(node),
        )
    )


def _marked(volume: Examined, whole: Whole) -> Spans:
    """Return the clusters that the bitmap marks in use, those behind the last left out.

    Raises:
        FaultyError: it is too short, or cannot be read.
    """
    clusters = volume.sizes.clusters
    if min(whole.size, whole.valid) * 8 < clusters:
        raise FaultyError(CLUSTERS, say("size"), whole.size, -(-clusters // 8), whole.at)
    edges: list[Numbers] = []
    before, base = False, 0
    for piece in _pieces(volume, whole, -(-clusters // 8)):
        volume.alive()
        data = np.frombuffer(piece.ljust(-(-len(piece) // 8) * 8, b"\0"), "<u8")
        found, before = _edges(data, before)
        edges.append(found + base)
        base += 8 * len(piece)
    flips = np.concatenate([np.zeros(0, np.int64), *edges])
    flips = flips[flips < clusters]
    if len(flips) % 2:
        flips = np.append(flips, clusters)
    return flips[::2], flips[1::2]


def _edges(words: NDArray[np.uint64], before: bool) -> tuple[Numbers, bool]:  # noqa: FBT001
    """Return at which bits another value begins than the bit before has, and the last bit."""
    one = np.uint64(1)
    last = words >> np.uint64(_WORD_BITS - 1)
    carried = np.empty_like(words)
    carried[0] = before
    carried[1:] = last[:-1]
    flips = words ^ (words << one | carried)
    at = np.nonzero(flips)[0]
    bits = np.unpackbits(flips[at].view(np.uint8), bitorder="little").reshape(-1, _WORD_BITS)
    rows, columns = np.nonzero(bits)
    return at[rows] * _WORD_BITS + columns, bool(last[-1])


def _pieces(volume: Examined, whole: Whole, size: int) -> Iterator[bytes]:
    """Yield the first bytes of a value, all pieces but the last a multiple of 8 long."""
    if whole.value is not None:
        yield whole.value[:size]
        return
    rest, left = bytearray(), size
    for count, start in whole.runs:
        length = min(count * volume.sizes.cluster_bytes, left)
        if start is None:
            raise FaultyError(CLUSTERS, say("run"), say("a hole"), say("clusters"), whole.at)
        left -= length
        for at in range(0, length, _STEP_BYTES):
            step = min(_STEP_BYTES, length - at)
            rest += volume.read(start * volume.sizes.cluster_bytes + at, step)
            if len(rest) >= _STEP_BYTES:
                yield bytes(rest[:_STEP_BYTES])
                del rest[:_STEP_BYTES]
    if rest:
        yield bytes(rest)


def _merged(starts: Numbers, ends: Numbers) -> Spans:
    """Return sorted runs without those that touch or overlap."""
    if not len(starts):
        return starts, ends
    reach = np.maximum.accumulate(ends)
    apart = np.ones(len(starts), np.bool_)
    apart[1:] = starts[1:] > reach[:-1]
    last = np.append(np.nonzero(apart)[0][1:] - 1, len(starts) - 1)
    return starts[apart], reach[last]


def _without(ours: Spans, theirs: Spans) -> Spans:
    """Return what of ours is not theirs."""
    edges = np.unique(np.concatenate((*ours, *theirs)))
    if len(edges) < 2:  # noqa: PLR2004 - no stretch between them
        return edges[:0], edges[:0]
    low, high = edges[:-1], edges[1:]
    only = _covers(ours, low) & ~_covers(theirs, low)
    return _merged(low[only], high[only])


def _covers(spans: Spans, points: Numbers) -> NDArray[np.bool_]:
    starts, ends = spans
    if not len(starts):
        return np.zeros(len(points), np.bool_)
    index = np.searchsorted(starts, points, "right") - 1
    covered: NDArray[np.bool_] = (index >= 0) & (points < ends[np.maximum(index, 0)])
    return covered


def _lengths_below(spans: Spans, points: Numbers) -> Numbers:
    """Return how many clusters of the spans lie below each point."""
    starts, ends = spans
    if not len(starts):
        return np.zeros(len(points), np.int64)
    sums = np.concatenate(([0], np.cumsum(ends - starts)))
    index = np.searchsorted(starts, points)
    inside = np.minimum(points, ends[np.maximum(index - 1, 0)]) - ends[np.maximum(index - 1, 0)]
    below: Numbers = sums[index] + np.where(index > 0, inside, 0)
    return below
