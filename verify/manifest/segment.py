"""Segments of a listing, so that what is alike on both drives is passed over without being parsed.

A segment begins at a name whose own checksum says so, which is one in `NAMES_A_SEGMENT`: on the
source and on its clone segments begin at the same names, whatever came or went between. Its head
stands before its rows, under the name that the format has for it:

    {"piece": {"alike": …, "counts": {…}, "sizes": […], "nodes": […]}}

`alike` is the BLAKE3 of the rows without what a clone may change: the number of a node, and where
its clusters lie; and without how many zero blocks it has, which follows from its contents and was
not always kept. How many clusters a file has is kept, since it tells a hole. A segment with
a file that could not be read has `null` for its head: it is never passed over.
"""

from __future__ import annotations

import json
import re
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from blake3 import blake3

from verify.manifest.row import RowError
from verify.manifest.totals import COUNTS, Totals

if TYPE_CHECKING:
    from array import array

NAMES_A_SEGMENT = 512
"""On average: enough that heads weigh little, few enough that one change opens little."""

MOST_ROWS = 16 * NAMES_A_SEGMENT
"""A segment ends before it would have more, whatever names somebody chose."""

SEGMENT_START = b'{"piece":'

HOLE_BYTES = 64 << 10
"""Less than this is no hole, but contents kept in the record itself, or the last cluster."""

_LEFT_OUT = re.compile(rb',"(?:node":\d+|extents":\[[^}"]*\]|zero_blocks":\d+|zero_tail":true)')
"""No name can hold this: a quote in JSON text is escaped."""

_MOST = (1 << 64) - 1
_DIGEST = re.compile("[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class Segment:
    """The head of a segment: what its rows share with a clone's, and what they count for."""

    alike: str
    totals: Totals


def begins_segment(path: str) -> bool:
    """Whether a segment begins at this name."""
    return zlib.crc32(path.encode("utf-8", "surrogatepass")) % NAMES_A_SEGMENT == 0


def encode_segment(text: bytes, clusters: array[int], totals: Totals) -> bytes:
    """Return the head of the rows in `text`; `clusters` has one number a row."""
    alike = blake3(_LEFT_OUT.sub(b"", text))
    alike.update(clusters.tobytes())
    head = {
        "alike": alike.hexdigest(),
        "counts": {name: getattr(totals, name) for name in COUNTS},
        "sizes": list(totals.sizes),
        "nodes": totals.nodes,
    }
    return json.dumps({"piece": head}, separators=(",", ":")).encode("ascii") + b"\n"


NO_HEAD = SEGMENT_START + b"null}\n"


def decode_segment(row: dict[str, Any]) -> Segment | None:
    """Return the segment of a head; `None` where it has none.

    Raises:
        RowError: a field is missing or of another type.
    """
    head = row.get("piece")
    if head is None:
        return None
    try:
        totals = Totals()
        for name in COUNTS:
            setattr(totals, name, _count(head["counts"][name]))
        totals.sizes.extend(head["sizes"])
        totals.nodes.extend(map(_count, head["nodes"]))
        alike = head["alike"]
        if not _DIGEST.fullmatch(alike):
            raise RowError("the head of a piece")
    except (KeyError, TypeError, OverflowError) as error:
        raise RowError("the head of a piece") from error
    return Segment(alike, totals)


def _count(value: Any) -> int:
    if type(value) is not int or not 0 <= value <= _MOST:
        raise RowError("a count of a piece")
    return value
