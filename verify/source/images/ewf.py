"""E01: segment files, sections, and chunks of which each is verified by its checksum when read."""

from __future__ import annotations

import re
import zlib
from collections import OrderedDict
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from verify.source.images.ewf_sections import Section, is_checked, read_structure, sections
from verify.source.images.facts import ImageFacts, StoredHash
from verify.source.images.image_file import Image, ImageDamage, ImageFile, Refusing
from verify.structs import ewf
from verify.structs.base import Record
from verify.text.message import Message, counted, say

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator


_LARGEST_CHUNK = 64 << 20
_CACHE_BYTES = 8 << 20
_MOST_CHUNKS = 256 << 20
_USUAL_SECTOR = 512
"""Written for drives whose sectors were never asked for, too: then the table tells."""
_ENDING = re.compile(r"\.([eE])([0-9]{2}|[a-zA-Z]{2})\Z")
_GIVE_FIRST = say("Give the first file, whose name ends in E01; the others are found beside it.")
_ALL_FILES = say("Put all of its files (E01, E02 and so on) into one folder, and try again.")


@dataclass(frozen=True, slots=True)
class _Table:
    """Chunks from number `first`: the entries as stored, what they count from, and their end."""

    file: ImageFile
    first: int
    entries: npt.NDArray[np.uint32]
    base: int
    end: int

    def chunk(self, index: int) -> tuple[int, int, bool]:
        """Return where a chunk begins and ends in the file, and whether it is compressed."""
        stored = int(self.entries[index])
        following = index + 1
        end = self.end if following == len(self.entries) else self._start(following)
        return self._start(index), end, stored >= ewf.IS_COMPRESSED

    def _start(self, index: int) -> int:
        return self.base + (int(self.entries[index]) & (ewf.IS_COMPRESSED - 1))


@dataclass(slots=True, kw_only=True)
class E01(Image):
    """A drive in chunks; `lost` are byte ranges (start, end) that were lost when it was made."""

    chunk_bytes: int
    tables: list[_Table]
    lost: list[tuple[int, int]]
    _firsts: list[int] = field(init=False)
    _cache: OrderedDict[int, bytes | None] = field(init=False, default_factory=OrderedDict)

    def __post_init__(self) -> None:
        """Note where each table begins, for finding chunks."""
        self._firsts = [table.first for table in self.tables]

    def read(self, offset: int, length: int) -> bytes:
        """Return these bytes of the drive, each chunk verified.

        Raises:
            ImageDamage: a chunk fails its checksum, or was lost when the image was made.
        """
        end = offset + length
        if any(start < end and offset < stop for start, stop in self.lost):
            raise ImageDamage
        parts = []
        while offset < end:
            number, inside = divmod(offset, self.chunk_bytes)
            size = min(self.chunk_bytes - inside, end - offset)
            parts.append(self._chunk(number)[inside : inside + size])
            offset += size
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def _chunk(self, number: int) -> bytes:
        if number in self._cache:
            self._cache.move_to_end(number)
            data = self._cache[number]
        else:
            data = self._cache[number] = self._verified(number)
            while len(self._cache) > max(2, _CACHE_BYTES // self.chunk_bytes):
                self._cache.popitem(last=False)
        if data is None:
            raise ImageDamage
        return data

    def _verified(self, number: int) -> bytes | None:
        """Return the bytes of a chunk; `None` where they are not what was stored."""
        table = self.tables[int(np.searchsorted(self._firsts, number, side="right")) - 1]
        start, end, is_packed = table.chunk(number - table.first)
        stored = table.file.read(start, end - start)
        wanted = min(self.chunk_bytes, self.facts.drive_bytes - number * self.chunk_bytes)
        if is_packed:
            return _inflated(stored, wanted, self.chunk_bytes)
        for length in (wanted, self.chunk_bytes):  # NOTE: some makers fill up the last chunk
            data, rest = stored[:length], stored[length : length + ewf.CHECKSUM_BYTES]
            if len(rest) == ewf.CHECKSUM_BYTES and is_checked(data, int.from_bytes(rest, "little")):
                return data[:wanted]
        return None


def _inflated(stored: bytes, wanted: int, most: int) -> bytes | None:
    """Return what a zlib stream holds, whose own checksum (RFC 1950) is that of the chunk."""
    stream = zlib.decompressobj()
    try:
        data = stream.decompress(stored, most + 1)
    except zlib.error:
        return None
    return data[:wanted] if stream.eof and wanted <= len(data) <= most else None


def open_e01(first: ImageFile) -> E01:
    """Open an E01 by its first segment file; the others are looked for beside it.

    Raises:
        ImageRefused: a segment is missing, damaged or of another set, or a table is damaged.
    """
    files = [first]
    try:
        return _Opening(Refusing(first.path, say("an E01")), files).run()
    except BaseException:
        for file in files[1:]:  # NOTE: the first is closed by who opened it
            file.close()
        raise


@dataclass(slots=True)
class _Opening:
    """An E01 while its sections are gone through."""

    refusing: Refusing
    files: list[ImageFile]
    volume: Record | None = None
    tables: list[_Table] = field(default_factory=list)
    lost: list[tuple[int, int]] = field(default_factory=list)
    hashes: dict[str, str] = field(default_factory=dict)
    chunks: int = 0
    _data: tuple[int, int] | None = None
    _entries: bytes | None = None

    def run(self) -> E01:
        names = _segment_names(self.files[0].path)
        for number in count(1):
            file = self.files[-1]
            self._hold_segment(file, number)
            last = ""
            for section in sections(self.refusing, file):
                self._take(section)
                last = section.type
            if last == "done":
                break
            self.files.append(self._next(next(names, None), number + 1))
        return self._image()

    def _next(self, path: str | None, number: int) -> ImageFile:
        if path is None or (found := _beside(path)) is None:
            name = say("its next file") if path is None else Path(path).name
            raise self.refusing.because(
                say("segment {number} ({name}) is missing", number=number, name=name), _ALL_FILES
            )
        return ImageFile.opened(found)

    def _hold_segment(self, file: ImageFile, number: int) -> None:
        if not file.size_bytes:
            raise self.refusing.because(say("{file} is empty", file=file.name), _ALL_FILES)
        data = self.refusing.read(file, 0, ewf.FILE_HEADER.size, say("a file header"))
        header = ewf.FILE_HEADER.parse(data)
        if header.raw("Signature") != ewf.SIGNATURE or header.number("FieldsStart") != 1:
            raise self.refusing.because(
                say("{file} is not a segment of an E01", file=file.name), _ALL_FILES
            )
        stored = header.number("SegmentNumber")
        if stored != number:
            advice = _GIVE_FIRST if number == 1 else _ALL_FILES
            raise self.refusing.because(
                say(
                    "{file} is its segment {stored}, not segment {number}",
                    file=file.name,
                    stored=stored,
                    number=number,
                ),
                advice,
            )

    def _take(self, section: Section) -> None:
        if section.type in {"volume", "disk", "data"}:
            self._take_volume(section)
        elif section.type == "sectors":
            self._hold_paired()
            self._data = section.data_at, section.end
        elif section.type == "table":
            self._take_table(section)
        elif section.type == "table2":
            self._hold_mirror(section)
        elif section.type == "hash":
            record = read_structure(self.refusing, section, ewf.HASH, 32)
            self.hashes.setdefault("md5", record.raw("MD5").hex().upper())
        elif section.type == "digest":
            record = read_structure(self.refusing, section, ewf.DIGEST, 76)
            self.hashes["md5"] = record.raw("MD5").hex().upper()
            self.hashes["sha1"] = record.raw("SHA1").hex().upper()
        elif section.type == "error2":
            self._take_errors(section)
        elif section.type in {"ltree", "ltypes"}:
            raise self.refusing.because(say("it holds files, not a drive"), _WHOLE_DRIVE)
        elif section.type == "incomplete":
            raise self.refusing.because(say("it was never finished"))

    def _take_volume(self, section: Section) -> None:
        if self.volume is None and section.type == "data":
            raise self.refusing.because(say("its first volume section is missing"))
        record = read_structure(self.refusing, section, ewf.VOLUME, 1048)
        if self.volume is None:
            self.volume = record
            return
        names = ("ChunkCount", "SectorsPerChunk", "BytesPerSector", "SectorCount", "SetIdentifier")
        if any(record.values[name] != self.volume.values[name] for name in names):
            raise self.refusing.because(
                say("{file} is a segment of another image, or damaged", file=section.file.name),
                _ALL_FILES,
            )

    def _hold_paired(self) -> None:
        if self._data is not None:
            raise self.refusing.because(say("a table of chunks is missing"))

    def _take_table(self, section: Section) -> None:
        table = read_structure(self.refusing, section, ewf.TABLE, 20)
        entries = table.number("EntryCount")
        self.chunks += entries
        if self._data is None or self.chunks > _MOST_CHUNKS:
            raise self.refusing.because(say("a table of chunks has no chunks, or too many"))
        if table.number("BaseOffset") > section.file.size_bytes:
            raise self.refusing.because(
                say("a table of chunks counts from beyond the end of its file")
            )
        data = self._table_entries(section, entries)
        stored, base = np.frombuffer(data, "<u4"), table.number("BaseOffset")
        starts = (stored & (ewf.IS_COMPRESSED - 1)).astype(np.int64) + base
        begin, end = self._data
        bounds = np.append(starts, end)
        inside = not entries or (starts[0] >= begin and bool(np.all(np.diff(bounds) > 0)))
        if not inside:
            raise self.refusing.because(
                say("a table of chunks of {file} is out of order", file=section.file.name)
            )
        if entries:
            self.tables.append(_Table(section.file, self.chunks - entries, stored, base, end))
        self._data, self._entries = None, data

    def _table_entries(self, section: Section, entries: int) -> bytes:
        what = say("a table of chunks of {file}", file=section.file.name)
        at = section.data_at + ewf.TABLE.size
        length = entries * 4 + ewf.CHECKSUM_BYTES
        if at + length > section.end:
            raise self.refusing.because(say("{what} is too short", what=what))
        data = self.refusing.read(section.file, at, length, what)
        if not is_checked(data[:-4], int.from_bytes(data[-4:], "little")):
            raise self.refusing.because(say("the checksum of {what} is wrong", what=what))
        return data[:-4]

    def _hold_mirror(self, section: Section) -> None:
        table = read_structure(self.refusing, section, ewf.TABLE, 20)
        if self._table_entries(section, table.number("EntryCount")) != self._entries:
            raise self.refusing.because(
                say("the two tables of chunks of {file} differ", file=section.file.name)
            )

    def _take_errors(self, section: Section) -> None:
        """Note the sectors that could not be read when the image was made: it has zeros there."""
        head = read_structure(self.refusing, section, ewf.ERRORS, 516)
        size = head.number("EntryCount") * ewf.ERROR_ENTRY.size
        at = section.data_at + ewf.ERRORS.size
        if at + size + ewf.CHECKSUM_BYTES > section.end:
            raise self.refusing.because(say("its list of read errors is too short"))
        data = self.refusing.read(
            section.file, at, size + ewf.CHECKSUM_BYTES, say("its list of read errors")
        )
        if not is_checked(data[:size], int.from_bytes(data[size:], "little")):
            raise self.refusing.because(say("the checksum of its list of read errors is wrong"))
        step = self._sector_bytes()
        for place in range(0, size, ewf.ERROR_ENTRY.size):
            entry = ewf.ERROR_ENTRY.parse(data[place:])
            first = entry.number("FirstSector")
            self.lost.append((first * step, (first + entry.number("SectorCount")) * step))

    def _sector_bytes(self) -> int:
        if self.volume is None:
            raise self.refusing.because(say("it has no volume section"))
        return self.volume.number("BytesPerSector")

    def _image(self) -> E01:
        self._hold_paired()
        sector = self._sector_bytes()
        volume = self.volume
        assert volume is not None  # noqa: S101 - held by the line above
        per_chunk, size = volume.number("SectorsPerChunk"), volume.number("SectorCount") * sector
        chunk = per_chunk * sector
        if (
            sector not in (_USUAL_SECTOR, 1024, 2048, 4096)
            or not 0 < chunk <= _LARGEST_CHUNK
            or not size
        ):
            raise self.refusing.because(
                say("it holds no drive: its volume section counts no sectors")
            )
        if self.chunks != -(-size // chunk) or self.chunks != volume.number("ChunkCount"):
            raise self.refusing.because(
                say(
                    "its tables name {chunks} chunks, its drive has {needed}",
                    chunks=self.chunks,
                    needed=-(-size // chunk),
                )
            )
        return E01(
            files=self.files,
            facts=self._facts(size),
            sector_bytes=None if sector == _USUAL_SECTOR else sector,
            chunk_bytes=chunk,
            tables=self.tables,
            lost=self.lost,
        )

    def _facts(self, size: int) -> ImageFacts:
        sectors = sum(end - start for start, end in self.lost) // self._sector_bytes()
        notes: tuple[Message, ...] = ()
        if sectors:
            notes = (
                counted(
                    "{count} sector could not be read when the image was made, and counts as"
                    " unreadable.",
                    "{count} sectors could not be read when the image was made, and count as"
                    " unreadable.",
                    sectors,
                ),
            )
        hashes = tuple(
            StoredHash(algorithm=name, digest=self.hashes[name])
            for name in ("md5", "sha1")
            if set(self.hashes.get(name, "0")) != {"0"}
        )
        return ImageFacts(
            kind="e01",
            form="EWF 1",
            files=tuple(file.stored for file in self.files),
            drive_bytes=size,
            size_from=say("sector count in the volume section"),
            hashes=hashes,
            verified=(
                say("checksums of every section and of both tables of chunks"),
                say("checksum of each chunk, when it is read"),
                say("no segment is missing, and their order is right"),
            ),
            notes=notes,
        )


_WHOLE_DRIVE = say("Give an image of the whole drive.")


def _segment_names(path: str) -> Iterator[str]:
    """Yield the names of the second segment and of those behind it (EWF 1, Segment files).

    E02 to E99, then EAA to EZZ, FAA and so on to ZZZ; in the letters' case of the first.
    """
    found = _ENDING.search(path)
    if found is None or not found[2].isdigit() or int(found[2]) != 1:
        return
    stem, letter = path[: found.start()], found[1]
    yield from (f"{stem}.{letter}{number:02}" for number in range(2, 100))
    for number in range((ord("Z") - ord("E") + 1) * 26 * 26):
        letters = (
            chr(ord("E") + number // 676) + chr(65 + number // 26 % 26) + chr(65 + number % 26)
        )
        yield f"{stem}.{letters if letter.isupper() else letters.lower()}"


def _beside(path: str) -> str | None:
    """Return a file's path, its ending in capitals or not."""
    stem, dot, ending = path.rpartition(".")
    names: Iterable[str] = (path, stem + dot + ending.upper(), stem + dot + ending.lower())
    return next((name for name in names if Path(name).is_file()), None)
