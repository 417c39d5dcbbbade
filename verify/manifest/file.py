"""The manifest as a file: one gzip stream of JSON lines.

    {"schema": "drivewitness.manifest/1", …}            the header
    {"partition": 3}                                    a partition's rows begin
    {"kind": "file", "path": …} or {"block": 0, …}      its rows
    {"trailer": {"rows": …, "blake3": …}}               how many lines came before, and their digest

It is written under another name, synced and renamed, so that half a manifest never stands under
the name of a whole one; and it is read to its end once before anything is believed of it.
"""

from __future__ import annotations

import gzip
import json
import stat
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blake3 import blake3
from pydantic import ValidationError

from verify.content.row import (
    Block,
    RowError,
    decode_block,
    decode_entry,
    encode_group,
    parse_line,
)
from verify.errors import (
    ManifestAltered,
    ManifestForeign,
    ManifestTooNew,
    ManifestTruncated,
    SourceForbidden,
    SourceMissing,
)
from verify.manifest.model import SCHEMA, SCHEMA_NAME, SCHEMA_VERSION, Header
from verify.manifest.whole import whole_file

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from verify.filesystem.entry import Entry

LONGEST_LINE_BYTES = 64 << 20
"""No row comes near it; a longer line is damage, and is not held in memory."""

_GZIP_MAGIC = b"\x1f\x8b"
_FIRST_BYTES = f'{{"schema":"{SCHEMA_NAME}/'.encode()
_MOST_DIGITS = 9
_COMPRESSION = 6


@dataclass(frozen=True, slots=True)
class Manifest:
    """A manifest that was read to its end and found whole; rows are read again as needed."""

    path: Path
    header: Header
    rows: int
    digest: str

    def entries(self, partition: int) -> Iterator[Entry]:
        """Yield the entries of a partition in the order they were listed.

        Raises:
            ManifestAltered: a row is no row of ours.
        """
        for row in self._rows_of(partition):
            if "kind" in row:
                yield self._decoded(decode_entry, row)

    def blocks(self, partition: int) -> Iterator[Block]:
        """Yield the blocks of a partition that was read as raw bytes, by index.

        Raises:
            ManifestAltered: a row is no row of ours.
        """
        for row in self._rows_of(partition):
            if "block" in row:
                yield self._decoded(decode_block, row)

    def _rows_of(self, partition: int) -> Iterator[dict[str, Any]]:
        wanted = encode_group(partition)
        inside = False
        with gzip.open(self.path, "rb") as file:
            next(file)
            for line in file:
                if line.startswith(b'{"partition":'):
                    if inside:
                        return
                    inside = line == wanted
                elif inside and not line.startswith(b'{"trailer":'):
                    yield self._decoded(parse_line, line)

    def _decoded(self, decode: Any, item: Any) -> Any:
        try:
            return decode(item)
        except RowError as error:
            raise ManifestAltered(
                str(self.path), "a row", "one of a manifest", str(error)
            ) from error


def is_manifest(path: str | Path) -> bool:
    """Whether a path is a regular file that begins as a manifest does (whole or not)."""
    try:
        if not stat.S_ISREG(Path(path).stat().st_mode):
            return False
        with Path(path).open("rb") as file:
            if file.read(2) != _GZIP_MAGIC:
                return False
        with gzip.open(path, "rb") as unpacked:
            return unpacked.read(len(_FIRST_BYTES)) == _FIRST_BYTES
    except (OSError, EOFError, zlib.error, ValueError):
        return False


def open_manifest(path: str | Path) -> Manifest:
    """Read a manifest to its end, and return it if it is whole.

    Raises:
        SourceMissing, SourceForbidden: it is not there, or cannot be read.
        ManifestForeign: not a manifest.
        ManifestTooNew: written in a later schema.
        ManifestTruncated: it ends before its trailer.
        ManifestAltered: its digest, its counts or its header are not what they were.
    """
    name = str(path)
    try:
        with gzip.open(path, "rb") as file:
            return _read_whole(Path(path), file)
    except FileNotFoundError as error:
        raise SourceMissing(name) from error
    except PermissionError as error:
        raise SourceForbidden(name) from error
    except gzip.BadGzipFile as error:
        raise ManifestForeign(name, "it is no gzip file, or its checksum is wrong") from error
    except zlib.error as error:
        raise ManifestAltered(name, "its compressed data", "whole", str(error)) from error


def _read_whole(path: Path, file: gzip.GzipFile) -> Manifest:
    name, rows, hasher, header = str(path), 0, blake3(), None
    while True:
        try:
            line = file.readline(LONGEST_LINE_BYTES)
        except EOFError as error:
            raise ManifestTruncated(name, rows) from error
        if header is None:
            _hold_schema(name, line)
        if not line or not line.endswith(b"\n"):
            raise ManifestTruncated(name, rows)
        if line.startswith(b'{"trailer":'):
            digest = hasher.hexdigest()
            _hold_trailer(name, line, rows, digest)
            if _more(name, file, rows):
                raise ManifestAltered(name, "its end", "the trailer", "more bytes")
            break
        hasher.update(line)
        rows += 1
        header = header or line
    if header is None:
        raise ManifestForeign(name, "it has no header")
    try:
        return Manifest(path, Header.model_validate_json(header), rows, digest)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise ManifestAltered(name, f"its header ({place})", "valid", first["msg"]) from error


def _more(name: str, file: gzip.GzipFile, rows: int) -> bool:
    """Whether anything follows; reading on is also what makes gzip check its own checksum."""
    try:
        return bool(file.read(1))
    except EOFError as error:
        raise ManifestTruncated(name, rows) from error


def _hold_schema(name: str, line: bytes) -> None:
    if not line.startswith(_FIRST_BYTES):
        raise ManifestForeign(name, "it does not begin as one")
    version = line[len(_FIRST_BYTES) :].split(b'"')[0]
    if not version.isdigit() or len(version) > _MOST_DIGITS:
        raise ManifestForeign(name, "its schema has no number")
    if int(version) > SCHEMA_VERSION:
        raise ManifestTooNew(name, f"{SCHEMA_NAME}/{int(version)}", SCHEMA)


def _hold_trailer(name: str, line: bytes, rows: int, digest: str) -> None:
    try:
        trailer = json.loads(line)["trailer"]
        stored_rows, stored_digest = trailer["rows"], trailer["blake3"]
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise ManifestAltered(name, "its trailer", "a count and a digest", "neither") from error
    if stored_rows != rows:
        raise ManifestAltered(name, "the number of rows", str(stored_rows), str(rows))
    if stored_digest != digest:
        raise ManifestAltered(name, "the digest", str(stored_digest), digest)


def write_manifest(path: Path, header: Header, groups: Mapping[int, Path | None]) -> None:
    """Write a whole manifest: its header, then the rows of each partition from a file.

    Raises:
        OutputError: it could not be written; nothing stands under `path` then.
    """
    with whole_file(path) as file, gzip.GzipFile("", "wb", _COMPRESSION, file, mtime=0) as packed:
        _write_lines(packed, _lines(header, groups))


def _lines(header: Header, groups: Mapping[int, Path | None]) -> Iterator[bytes]:
    yield header.model_dump_json(by_alias=True).encode() + b"\n"
    for partition, rows in groups.items():
        yield encode_group(partition)
        if rows is not None:
            with rows.open("rb") as file:
                yield from file


def _write_lines(packed: gzip.GzipFile, lines: Iterable[bytes]) -> None:
    hasher, count = blake3(), 0
    for line in lines:
        hasher.update(line)
        packed.write(line)
        count += 1
    trailer = {"trailer": {"rows": count, "blake3": hasher.hexdigest()}}
    packed.write(json.dumps(trailer, separators=(",", ":")).encode() + b"\n")
