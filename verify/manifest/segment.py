"""Pieces of a listing, so that what is alike on both drives is passed over without being parsed.

A piece begins at a name whose own checksum says so, which is one in `NAMES_A_PIECE`: on the source
and on its clone pieces begin at the same names, whatever came or went between. Its head stands
before its rows:

    {"piece": {"alike": …, "counts": {…}, "sizes": […], "nodes": […]}}

`alike` is the BLAKE3 of the rows without what a clone may change: the number of a node, and where
its clusters lie. How many clusters a file has is kept, since it tells a hole. A piece with
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
from verify.manifest.sums import COUNTS, Sums

if TYPE_CHECKING:
    from array import array

NAMES_A_PIECE = 512
"""On average: enough that heads weigh little, few enough that one change opens little."""

MOST_ROWS = 16 * NAMES_A_PIECE
"""A piece ends before it would have more, whatever names somebody chose."""

PIECE_START = b'{"piece":'

HOLE_BYTES = 64 << 10
"""Less than this is no hole, but contents kept in the record itself, or the last cluster."""

_OWN_TO_A_DRIVE = re.compile(rb',"(?:node":\d+|extents":\[[^}"]*\])')
"""No name can hold this: a quote in JSON text is escaped."""

_MOST = (1 << 64) - 1
_DIGEST = re.compile("[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class Piece:
    """The head of a piece: what its rows have in common with a clone's, and what they count for."""

    alike: str
    sums: Sums


def begins_piece(path: str) -> bool:
    """Whether a piece begins at this name."""
    return zlib.crc32(path.encode("utf-8", "surrogatepass")) % NAMES_A_PIECE == 0


def encode_piece(text: bytes, clusters: array[int], sums: Sums) -> bytes:
    """Return the head of the rows in `text`; `clusters` has one number a row."""
    alike = blake3(_OWN_TO_A_DRIVE.sub(b"", text))
    alike.update(clusters.tobytes())
    head = {
        "alike": alike.hexdigest(),
        "counts": {name: getattr(sums, name) for name in COUNTS},
        "sizes": list(sums.sizes),
        "nodes": sums.nodes,
    }
    return json.dumps({"piece": head}, separators=(",", ":")).encode("ascii") + b"\n"


NO_HEAD = PIECE_START + b"null}\n"


def decode_piece(row: dict[str, Any]) -> Piece | None:
    """Return the piece of a head; `None` where it has none.

    Raises:
        RowError: a field is missing or of another type.
    """
    head = row.get("piece")
    if head is None:
        return None
    try:
        sums = Sums()
        for name in COUNTS:
            setattr(sums, name, _count(head["counts"][name]))
        sums.sizes.extend(head["sizes"])
        sums.nodes.extend(map(_count, head["nodes"]))
        alike = head["alike"]
        if not _DIGEST.fullmatch(alike):
            raise RowError("the head of a piece")
    except (KeyError, TypeError, OverflowError) as error:
        raise RowError("the head of a piece") from error
    return Piece(alike, sums)


def _count(value: Any) -> int:
    if type(value) is not int or not 0 <= value <= _MOST:
        raise RowError("a count of a piece")
    return value
