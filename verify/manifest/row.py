r"""Rows of a manifest: one JSON object a line, defaults left out, any name kept exactly.

JSON's `\\u` escapes carry lone surrogates, so a name that is no valid text survives unchanged.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from json.encoder import encode_basestring_ascii as _quoted
from typing import Any, NoReturn, cast, get_args

from verify.filesystem.entry import Entry, Kind, Stream


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(name)  # NOTE: RFC 8259 has no NaN and no Infinity; Python's decoder has


_DECODER = json.JSONDecoder(parse_constant=_refuse_constant)
_ENCODER = json.JSONEncoder(separators=(",", ":"))
_KINDS = frozenset(get_args(Kind))
_NUMBERS = ("modified", "changed", "created", "attributes", "mode", "zero_blocks")
_TEXTS = ("owner", "security", "short", "reparse", "reparse_digest", "target", "digest", "unhashed")
_LISTS = frozenset({"blocks", "extended", "streams"})
"""Lists that few entries have."""


@dataclass(frozen=True, slots=True)
class Block:
    """One block of a partition that is compared as raw bytes; `digest` `None` where unreadable."""

    index: int
    digest: str | None


_MOST = (1 << 64) - 1
_LEAST = -(1 << 63)
_SIGNED = frozenset({"modified", "changed", "created"})
"""Times before 1970 are negative; nothing else is."""


class RowError(ValueError):
    """A row that this format does not have."""


def encode_entry(entry: Entry) -> bytes:
    """Return an entry as one line.

    NOTE: written out field by field: a general encoder takes twice as long, once a name.
    """
    size = f',"size":{entry.size}' if entry.size else ""
    line = (
        f'{{"kind":"{entry.kind}","path":{_quoted(entry.path)}{size}{_times(entry)}'
        f"{_rights(entry.attributes, entry.mode, entry.owner, entry.security)}{_texts(entry)}"
        f',"node":{entry.node}'
    )
    if entry.links != 1:
        line += f',"links":{entry.links}'
    if entry.extents:
        line += f',"extents":[{",".join([f"[{at},{count}]" for at, count in entry.extents])}]'
    if entry.streams:
        streams = [[item.name, item.size, item.digest] for item in entry.streams]
        line += f',"streams":{_ENCODER.encode(streams)}'
    if entry.extended:
        line += f',"extended":{_ENCODER.encode(entry.extended)}'
    if entry.blocks:
        line += f',"blocks":{_ENCODER.encode(entry.blocks)}'
    if entry.boot:
        line += ',"boot":true'
    if entry.placed:
        line += ',"placed":true'
    if entry.zero_blocks or entry.zero_tail:
        line += zero_fields(entry.zero_blocks, tail=entry.zero_tail)
    return (line + "}\n").encode("ascii")


def zero_fields(blocks: int, *, tail: bool) -> str:
    """Return the fields of a row that tell its zero blocks."""
    text = f',"zero_blocks":{blocks}' if blocks else ""
    return text + (',"zero_tail":true' if tail else "")


def _times(entry: Entry) -> str:
    modified, changed, created = entry.modified, entry.changed, entry.created
    if modified is not None and changed is not None and created is not None:
        return f',"modified":{modified},"changed":{changed},"created":{created}'
    text = "" if modified is None else f',"modified":{modified}'
    text += "" if changed is None else f',"changed":{changed}'
    return text + ("" if created is None else f',"created":{created}')


@lru_cache(4096)
def _rights(
    attributes: int | None, mode: int | None, owner: str | None, security: str | None
) -> str:
    """Return what most names have in common with many others."""
    text = "" if attributes is None else f',"attributes":{attributes}'
    text += "" if mode is None else f',"mode":{mode}'
    text += "" if owner is None else f',"owner":{_quoted(owner)}'
    return text + ("" if security is None else f',"security":{_quoted(security)}')


def _texts(entry: Entry) -> str:
    text = ""
    if entry.short is not None:
        text += f',"short":{_quoted(entry.short)}'
    if entry.reparse is not None:
        text += f',"reparse":{_quoted(entry.reparse)}'
    if entry.reparse_digest is not None:
        text += f',"reparse_digest":{_quoted(entry.reparse_digest)}'
    if entry.target is not None:
        text += f',"target":{_quoted(entry.target)}'
    if entry.digest is not None:
        text += f',"digest":{_quoted(entry.digest)}'
    if entry.unhashed is not None:
        text += f',"unhashed":{_quoted(entry.unhashed)}'
    return text


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
    if not isinstance(kind, str) or kind not in _KINDS:
        raise RowError("no entry")
    if not isinstance(path, str) or not path.startswith("/"):
        raise RowError("no entry")
    entry = Entry(cast("Kind", kind), path)
    entry.size, entry.node = _number(row, "size"), _number(row, "node")
    entry.links = _number(row, "links", 1)
    entry.boot, entry.placed = row.get("boot") is True, row.get("placed") is True
    entry.zero_tail = row.get("zero_tail") is True
    for name, value in row.items():
        if name in _NUMBERS:
            setattr(entry, name, _number(row, name))
        elif name in _TEXTS and value is not None:
            if not isinstance(value, str):
                raise RowError(name)
            setattr(entry, name, value)
    try:
        if "extents" in row:
            entry.extents = _runs(row["extents"])
        if not _LISTS.isdisjoint(row):
            _decode_lists(entry, row)
    except (TypeError, ValueError) as error:
        raise RowError("a list of the entry") from error
    return entry


def _decode_lists(entry: Entry, row: dict[str, Any]) -> None:
    entry.blocks = [(_counted(index), _text(digest)) for index, digest in row.get("blocks", ())]
    entry.extended = [(_text(name), _text(digest)) for name, digest in row.get("extended", ())]
    entry.streams = [
        Stream(_text(name), _counted(size), None if digest is None else _text(digest))
        for name, size, digest in row.get("streams", ())
    ]


def _runs(value: Any) -> list[tuple[int, int]]:
    runs = [(start, count) for start, count in value]
    if not all(_is_count(number) for run in runs for number in run):
        raise RowError("extents")
    return runs


def _is_count(value: Any) -> bool:
    return type(value) is int and 0 <= value <= _MOST


def _counted(value: Any) -> int:
    if not _is_count(value):
        raise RowError("a number in a list")
    return int(value)


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise RowError("a text in a list")
    return value


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
        RowError: it is not a JSON object.
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
    if value > _MOST or value < (_LEAST if name in _SIGNED else 0):
        raise RowError(name)
    return value


def _line(row: dict[str, Any]) -> bytes:
    return _ENCODER.encode(row).encode("ascii") + b"\n"
