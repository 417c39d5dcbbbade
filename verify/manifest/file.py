"""The manifest as a file: JSON lines, packed by gzip.

    {"schema": "drivewitness.manifest/1", …}            the header
    {"partition": 3}                                    a partition's rows begin
    {"piece": {…}}                                      what the rows of a segment count for
    {"kind": "file", "path": …} or {"block": 0, …}      its rows
    {"trailer": {"rows": …, "blake3": …}}               how many lines came before, and their digest

Each partition, each segment and the trailer begin a gzip member of their own, so that a comparison
passes over a segment without unpacking it; where all are one member, as in manifests written by
earlier versions, every row is read.

It is written under another name, synced and renamed, so that half a manifest never stands under
the name of a whole one; and it is read to its end once before anything is believed of it.
"""

from __future__ import annotations

import gzip
import json
import os
import stat
import zlib
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, NoReturn

from blake3 import blake3
from pydantic import ValidationError

from verify.errors import (
    ManifestAltered,
    ManifestForeign,
    ManifestTooNew,
    ManifestTruncated,
    SourceForbidden,
    SourceMissing,
)
from verify.manifest.gzip_members import MAGIC, Member, Packer
from verify.manifest.header import SCHEMA, SCHEMA_NAME, SCHEMA_VERSION, Header
from verify.manifest.listing_rows import (
    TRAILER_START,
    ListingRows,
    Part,
    begins_part,
    decoded,
    rows_of,
)
from verify.manifest.row import (
    Block,
    decode_block,
    decode_entry,
    encode_group,
    parse_line,
)
from verify.manifest.segment import NO_HEAD, SEGMENT_START
from verify.platforms.this import PLATFORM
from verify.text.message import say
from verify.text.validation import first_field
from verify.whole_file import whole_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from verify.filesystem.entry import Entry

LONGEST_LINE_BYTES = 64 << 20
"""No row comes near it; a longer line is damage, and is not held in memory."""

SHORTEST_LINE_BYTES = len(NO_HEAD)
"""No row is shorter: text of shorter ones is damage, and is not searched to its end."""

MOST_UNPACKED = 100
"""Bytes that one byte of the file may unpack to. The demo's manifests unpack to five times their
size; what is made to unpack to gigabytes would hold its reader for minutes."""

_ALWAYS_UNPACKED_BYTES = 256 << 20

_FIRST_BYTES = f'{{"schema":"{SCHEMA_NAME}/'.encode()
_MOST_DIGITS = 9
_READ_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Manifest:
    """A manifest that was read to its end and found whole; rows are read again as needed."""

    path: Path
    header: Header
    rows: int
    digest: str
    parts: tuple[Part, ...] = ()

    def entries(self, partition: int) -> Iterator[Entry]:
        """Yield the entries of a partition in the order they were listed.

        Raises:
            ManifestAltered: a row is no row of ours.
        """
        for row in self._rows_of(partition):
            if "kind" in row:
                yield decoded(self.path, decode_entry, row)

    def blocks(self, partition: int) -> Iterator[Block]:
        """Yield the blocks of a partition that was read as raw bytes, by index.

        Raises:
            ManifestAltered: a row is no row of ours.
        """
        for row in self._rows_of(partition):
            if "block" in row:
                yield decoded(self.path, decode_block, row)

    @contextmanager
    def listing(self, partition: int) -> Iterator[ListingRows]:
        """Give the entries of a partition to go through, of which segments can be passed over.

        Raises:
            ManifestAltered: a row is no row of ours.
        """
        with self.path.open("rb") as file:
            yield ListingRows(self.path, file, self.parts, partition)

    def _rows_of(self, partition: int) -> Iterator[dict[str, Any]]:
        with self.path.open("rb") as file:
            for line in rows_of(file, self.parts, partition):
                yield decoded(self.path, parse_line, line)


def is_manifest(path: str | Path) -> bool:
    """Whether a path is a regular file that begins as a manifest does (whole or not)."""
    if PLATFORM.names_device(str(path)):
        return False
    try:
        if not stat.S_ISREG(Path(path).stat().st_mode):
            return False
        with Path(path).open("rb") as file:
            if file.read(len(MAGIC)) != MAGIC:
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
        with Path(path).open("rb") as file:
            if file.read(len(MAGIC)) != MAGIC:
                raise ManifestForeign(name, say("it is not a gzip file"))
            return _Whole(Path(path)).read(file)
    except FileNotFoundError as error:
        raise SourceMissing(name) from error
    except PermissionError as error:
        raise SourceForbidden(name) from error
    except zlib.error as error:
        raise ManifestAltered(
            name, say("its compressed data"), say("complete"), say("damaged")
        ) from error


@dataclass(slots=True)
class _Whole:
    """A manifest being read to its end; nothing of it is believed before."""

    path: Path
    rows: int = 0
    header: bytes = b""
    trailer: bytes = b""
    waiting: list[bytes] = field(default_factory=list)
    waiting_bytes: int = 0
    room_bytes: int = 0
    parts: list[Part] = field(default_factory=list)
    hasher: blake3 = field(default_factory=blake3)

    def read(self, file: BinaryIO) -> Manifest:
        """Return it, if it is whole."""
        name, start, size = str(self.path), 0, os.fstat(file.fileno()).st_size
        self.room_bytes = max(_ALWAYS_UNPACKED_BYTES, MOST_UNPACKED * size)
        try:
            while start < size:
                member = Member(file, start)
                self._take(member)
                start = member.end
        except EOFError as error:
            raise ManifestTruncated(name, self.rows) from error
        if not self.header:
            _hold_schema(name, b"".join(self.waiting))
        if not self.trailer:
            raise ManifestTruncated(name, self.rows)
        if self.waiting:
            raise ManifestAltered(name, say("its end"), say("the trailer"), say("more bytes"))
        digest = self.hasher.hexdigest()
        _hold_trailer(name, self.trailer, self.rows, digest)
        return Manifest(self.path, _header(name, self.header), self.rows, digest, tuple(self.parts))

    def _take(self, member: Member) -> None:
        begins = not self.waiting
        for text in member:
            self.room_bytes -= len(text)
            if self.room_bytes < 0:
                self._refuse("its compressed data", "those of a manifest", "made to unpack forever")
            lines, end, rest = text.rpartition(b"\n")
            if end:
                whole = b"".join([*self.waiting, lines, end])
                self._take_lines(whole, member.start if begins else None)
                self.waiting, self.waiting_bytes, begins = [], 0, False
            if rest:
                self.waiting.append(rest)
                self.waiting_bytes += len(rest)
            if self.waiting_bytes > LONGEST_LINE_BYTES:
                self._refuse("a row", f"at most {LONGEST_LINE_BYTES} bytes", "longer")

    def _take_lines(self, lines: bytes, start: int | None) -> None:
        """Take whole lines; `start`: where the member lies that begins with the first of them."""
        if self.trailer:
            self._refuse(say("its end"), say("the trailer"), say("more bytes"))
        if start is not None:
            line = lines[: lines.index(b"\n") + 1]
            self.parts.append(Part(start, line if begins_part(line) else b""))
        if not self.header:
            _hold_schema(str(self.path), lines)
            self.header = lines.partition(b"\n")[0]
        rows = lines.count(b"\n")
        if rows * SHORTEST_LINE_BYTES > len(lines):
            self._refuse("a row", f"at least {SHORTEST_LINE_BYTES} bytes", "shorter")
        at = _trailer_at(lines)
        self.hasher.update(lines[:at])
        self.rows += rows if at == len(lines) else lines.count(b"\n", 0, at)
        self.trailer, _, more = lines[at:].partition(b"\n")
        if more:
            self._refuse(say("its end"), say("the trailer"), say("more bytes"))

    def _refuse(self, field: str, expected: str, got: str) -> NoReturn:
        raise ManifestAltered(str(self.path), field, expected, got)


def _trailer_at(lines: bytes) -> int:
    """Return where in whole lines the trailer begins; their length where it does not."""
    if lines.startswith(TRAILER_START):
        return 0
    return lines.find(b"\n" + TRAILER_START) + 1 or len(lines)


def _header(name: str, line: bytes) -> Header:
    try:
        return Header.model_validate_json(line)
    except ValidationError as error:
        raise ManifestAltered(
            name,
            say("its header"),
            say("valid"),
            say("not valid ({what})", what=first_field(error)),
        ) from error


def _hold_schema(name: str, line: bytes) -> None:
    if not line.startswith(_FIRST_BYTES):
        raise ManifestForeign(name, say("it does not begin like one"))
    version = line[len(_FIRST_BYTES) :].split(b'"')[0]
    if not version.isdigit() or len(version) > _MOST_DIGITS:
        raise ManifestForeign(name, say("its format has no number"))
    if int(version) > SCHEMA_VERSION:
        raise ManifestTooNew(name, f"{SCHEMA_NAME}/{int(version)}", SCHEMA)


def _hold_trailer(name: str, line: bytes, rows: int, digest: str) -> None:
    try:
        trailer = json.loads(line)["trailer"]
        stored_rows, stored_digest = trailer["rows"], trailer["blake3"]
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise ManifestAltered(
            name, say("its trailer"), say("a count and a digest"), say("something else")
        ) from error
    if stored_rows != rows:
        raise ManifestAltered(name, say("the number of rows"), str(stored_rows), str(rows))
    if stored_digest != digest:
        raise ManifestAltered(name, say("the digest"), str(stored_digest), digest)


def write_manifest(
    path: Path,
    header: Header,
    groups: Mapping[int, Path | None],
    *,
    replace: bool = False,
    go_on: Callable[[], None] = lambda: None,
) -> None:
    """Write a whole manifest: its header, then the rows of each partition from a file.

    `replace`: what stands under `path` by then. `go_on` is called now and then, and raises where
    nobody wants the manifest any more.

    Raises:
        OutputError: it could not be written; nothing new stands under `path` then.
    """
    with whole_file(path, replace=replace) as file, Packer(file) as packer:
        hasher, rows = blake3(), 0
        for lines in _lines(header, groups):
            go_on()
            if begins_part(lines):
                packer.end_member()
            hasher.update(lines)
            packer.write(lines)
            rows += lines.count(b"\n")
        packer.end_member()
        trailer = {"trailer": {"rows": rows, "blake3": hasher.hexdigest()}}
        packer.write(json.dumps(trailer, separators=(",", ":")).encode() + b"\n")
        packer.end()


def _lines(header: Header, groups: Mapping[int, Path | None]) -> Iterator[bytes]:
    """Yield whole lines, cut where something begins that can be read by itself."""
    yield header.model_dump_json(by_alias=True).encode() + b"\n"
    for partition, rows in groups.items():
        yield encode_group(partition)
        if rows is not None:
            with rows.open("rb") as file:
                yield from _rows(file)


def _rows(file: BinaryIO) -> Iterator[bytes]:
    """Yield a file's lines in batches, cut where segments begin, or where a batch grows long."""
    text = b""
    while more := file.read(_READ_BYTES):
        text += more
        start = 0
        while end := text.find(b"\n" + SEGMENT_START, start) + 1:
            yield text[start:end]
            start = end
        if len(text) - start > _READ_BYTES:
            end = text.rfind(b"\n") + 1
            yield text[start:end]
            start = end
        text = text[start:]
    yield text
