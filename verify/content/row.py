r"""Rows of a manifest: one JSON object a line, defaults left out, any name kept exactly.

JSON's `\\u` escapes carry lone surrogates, so a name that is no valid text survives unchanged.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, cast, get_args

from verify.filesystem.entry import Entry, Kind, Stream

_DECODER = json.JSONDecoder()
_ENCODER = json.JSONEncoder(separators=(",", ":"))
_KINDS = frozenset(get_args(Kind))
_NUMBERS = ("modified", "changed", "created", "attributes", "mode")
_TEXTS = ("owner", "security", "short", "reparse", "reparse_digest", "target", "digest", "unhashed")
_LISTS = frozenset({"blocks", "extended", "streams"})
"""Lists that few entries have."""


@dataclass(frozen=True, slots=True)
class Block:
    """One block of a partition that is compared as raw bytes; `digest` `None` where unreadable."""

    index: int
    digest: str | None


_MOST = (1 << 64) - 1
_SIGNED = frozenset({"modified", "changed", "created"})
"""Times before 1970 are negative; nothing else is."""


class RowError(ValueError):
    """A row that is none of ours."""


def encode_entry(entry: Entry) -> bytes:
    """Return an entry as one line."""
    row: dict[str, Any] = {"kind": entry.kind, "path": entry.path}
    if entry.size:
        row["size"] = entry.size
    for name in _NUMBERS + _TEXTS:
        value = getattr(entry, name)
        if value is not None:
            row[name] = value
    row["node"] = entry.node
    if entry.links != 1:
        row["links"] = entry.links
    if entry.extents:
        row["extents"] = entry.extents
    if entry.streams:
        row["streams"] = [[item.name, item.size, item.digest] for item in entry.streams]
    if entry.extended:
        row["extended"] = entry.extended
    if entry.blocks:
        row["blocks"] = entry.blocks
    if entry.boot:
        row["boot"] = True
    return _line(row)


def encode_block(block: Block) -> bytes:
    """Return a block as one line."""
    return _line({"block": block.index, "digest": block.digest})


def encode_group(partition: int) -> bytes:
    """Return the line that the rows of a partition begin with."""
    return _line({"partition": partition})


def decode_entry(row: dict[str, Any]) -> Entry:
    """Return the entry of a row.

    Raises:
        RowError: a field is missing or of another type.
    """
    kind, path = row.get("kind"), row.get("path")
    if kind not in _KINDS or not isinstance(path, str) or not path.startswith("/"):
        raise RowError("no entry")
    entry = Entry(cast("Kind", kind), path)
    entry.size, entry.node = _number(row, "size"), _number(row, "node")
    entry.links = _number(row, "links", 1)
    entry.boot = row.get("boot") is True
    for name, value in row.items():
        if name in _NUMBERS:
            setattr(entry, name, _number(row, name))
        elif name in _TEXTS and value is not None:
            if not isinstance(value, str):
                raise RowError(name)
            setattr(entry, name, value)
    try:
        if "extents" in row:
            entry.extents = [(int(start), int(count)) for start, count in row["extents"]]
        if not _LISTS.isdisjoint(row):
            _decode_lists(entry, row)
    except (TypeError, ValueError) as error:
        raise RowError("a list of the entry") from error
    return entry


def _decode_lists(entry: Entry, row: dict[str, Any]) -> None:
    entry.blocks = [(int(index), str(digest)) for index, digest in row.get("blocks", ())]
    entry.extended = [(str(name), str(digest)) for name, digest in row.get("extended", ())]
    entry.streams = [
        Stream(str(name), int(size), None if digest is None else str(digest))
        for name, size, digest in row.get("streams", ())
    ]


def decode_block(row: dict[str, Any]) -> Block:
    """Return the block of a row.

    Raises:
        RowError: a field is missing or of another type.
    """
    digest = row.get("digest")
    if digest is not None and not isinstance(digest, str):
        raise RowError("digest")
    return Block(_number(row, "block"), digest)


def parse_line(line: bytes) -> dict[str, Any]:
    """Return a line's JSON object.

    Raises:
        RowError: it is none.
    """
    try:
        row = _DECODER.decode(line.decode())
    except (ValueError, RecursionError) as error:
        raise RowError("no JSON") from error
    if not isinstance(row, dict):
        raise RowError("no JSON object")
    return row


def _number(row: dict[str, Any], name: str, default: int = 0) -> int:
    value = row.get(name, default)
    if not isinstance(value, int) or isinstance(value, bool):
        raise RowError(name)
    if value > _MOST or (value < 0 and name not in _SIGNED):
        raise RowError(name)
    return value


def _line(row: dict[str, Any]) -> bytes:
    return _ENCODER.encode(row).encode("ascii") + b"\n"
