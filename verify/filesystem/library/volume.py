"""Listing NTFS, FAT and ext through pytsk3 (The Sleuth Kit's Python binding, Apache-2.0).

What the library gets wrong, and what is done about it, is noted where it matters; the points were
measured on images made by ordinary filesystem tools and are each held by a test.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pytsk3

from verify.errors import ReaderError
from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.description import ChangeJournal
from verify.filesystem.entry import NOT_TRIED, Entry, Kind, Stream
from verify.filesystem.ext.inodes import ExtInodes
from verify.filesystem.library.image import FOREIGN_ERRORS, LibraryImage
from verify.filesystem.ntfs.entries import RecordEntries
from verify.filesystem.ntfs.index import IS_FOLDER, DamagedIndexError, index_of
from verify.filesystem.ntfs.marks import KINDS, MOST_VALUE_BYTES, NtfsMarks
from verify.filesystem.ntfs.record_table import RecordTable, mft_of
from verify.filesystem.ntfs.records import NUMBER, SEQUENCE_AT
from verify.filesystem.structures import (
    NTFS_FILES,
    ext_structures,
    fat_structures,
    own_files,
    runs_of,
)
from verify.filesystem.tree import below
from verify.filesystem.volume import MOST_EXTENTS, Place
from verify.source.window import Window

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator


_TYPES = {
    "ntfs": pytsk3.TSK_FS_TYPE_NTFS,
    "fat12": pytsk3.TSK_FS_TYPE_FAT12,
    "fat16": pytsk3.TSK_FS_TYPE_FAT16,
    "fat32": pytsk3.TSK_FS_TYPE_FAT32,
    "ext2": pytsk3.TSK_FS_TYPE_EXT_DETECT,
    "ext3": pytsk3.TSK_FS_TYPE_EXT_DETECT,
    "ext4": pytsk3.TSK_FS_TYPE_EXT_DETECT,
}

_NAME_ALLOCATED, _META_ALLOCATED = 1, 1
_NAMED_FOLDER = 3
_UNDEFINED, _REGULAR, _FOLDER, _LINK = 0, 1, 2, 6
_VIRTUAL = frozenset({10, 11})
_KINDS: dict[int, Kind] = {_REGULAR: "file", _FOLDER: "folder", _LINK: "link"}

_LEAST_BLOCK_BYTES = 1024
"""The smallest block of ext: a folder in blocks is at least that long."""

_NAME_SURROGATE = 0x20000000
_LONGEST_TARGET_BYTES = 4096
"""PATH_MAX (linux/limits.h)."""

_DATA, _FILE_NAME, _REPARSE = 128, 48, 192
_DEFAULT_DATA = 1
_RUN_FILLER, _RUN_SPARSE = 1, 2
_EXTEND, _CHANGE_JOURNAL = "$Extend", "$UsnJrnl"
_JOURNAL_HEAD = struct.Struct("<4Q")

_BAD_CLUSTERS = "$Bad"
"""The stream of $BadClus that spans the whole volume."""

_NO_RECORD = "its record is unreadable"
_NAME_LOSSY = b"^"
"""What the library writes for UTF-16 that is no text; the exact name is then read again."""


@dataclass(slots=True)
class _Folder:
    path: str
    node: int


@dataclass(slots=True)
class LibraryVolume:
    """A volume as the library reads it; `kind` is the filesystem's own, as recognised."""

    window: Window
    kind: str
    incomplete: list[str] = field(default_factory=list)
    _image: Any = None
    _fs: Any = None
    _open: tuple[int, Any] = (-1, None)
    _marks: NtfsMarks | None = None
    records: RecordEntries | None = None
    _inodes: ExtInodes | None = None

    def __post_init__(self) -> None:
        """Open the filesystem.

        Raises:
            ReaderError: the library does not take it (ext with bigalloc, NTFS clusters of 2 MiB).
        """
        try:
            self._image = LibraryImage(self.window)
            mft = self._find_mft() if self.is_ntfs else None
            # NOTE: without its kind the library tries all of them, and reads sectors all over the
            # volume for it: one that fails would end what it has nothing to do with.
            self._fs = pytsk3.FS_Info(self._image, 0, _TYPES[self.kind])
        except FOREIGN_ERRORS as error:
            raise _foreign("open the filesystem", error) from error
        if self.is_ntfs:
            self._marks = NtfsMarks(self._fs, self.incomplete)
            if mft is not None:
                self.records = RecordEntries(mft, self._marks)
        elif self.kind.startswith("ext"):
            try:
                self._inodes = ExtInodes(self.window)
            except UNREADABLE as error:
                raise _foreign("read the superblock", error) from error

    def _find_mft(self) -> RecordTable | None:
        """Learn where the MFT lies: to read records in bulk, and so that a bad one hides no other.

        The image is told too: the library must not give up on all records where one fails.
        """
        try:
            mft = mft_of(self.window)
        except UNREADABLE as error:
            self.incomplete.append(f"$MFT: where it lies cannot be read: {error}")
            return None
        if mft.has_hole:
            self.incomplete.append("$MFT: a part of it lies nowhere")
        self._image.records = mft.places
        self._image.record_bytes = mft.record_bytes
        return mft

    @property
    def narrowed(self) -> int:
        """How many failed reads were answered in part."""
        return int(self._image.narrowed)

    @property
    def is_ntfs(self) -> bool:
        """Whether streams, reparse points and record numbers are NTFS's."""
        return self.kind == "ntfs"

    def entries(self) -> Iterator[Entry]:
        """Yield every allocated name, a folder before its contents, siblings by code points."""
        return below(self)

    def children(self, folder: Entry | None) -> list[Entry]:
        """Read one folder (`None`: the root); what cannot be read is told in `incomplete`."""
        own = _Folder("" if folder is None else folder.path, self.mark(folder))
        records = self.records
        found = self._by_index(own, records) if records else self._by_library(own)
        found.sort(key=_path_of)
        return found

    def mark(self, folder: Entry | None) -> int:
        """Return a folder's inode or record."""
        return int(self._fs.info.root_inum) if folder is None else folder.node

    def is_branch(self, entry: Entry) -> bool:
        """Whether a folder has contents of its own, and is no link to another place."""
        return entry.kind == "folder" and not entry.unhashed and not _leads_elsewhere(entry)

    def _by_index(self, folder: _Folder, records: RecordEntries) -> list[Entry]:
        """Return the entries of an NTFS folder; what the library finds where its index is damaged.

        NOTE: the library takes a damaged index for a whole one, and names may be missing then.
        """
        try:
            index = index_of(records.table, folder.node)
        except DamagedIndexError as error:
            told = len(self.incomplete)
            found = self._by_library(folder)
            if len(self.incomplete) == told:
                self.incomplete.append(f"{folder.path or '/'}: {error}")
            return found
        found = []
        for text, reference, flags in index.names:
            if not folder.path and _is_own(text, reference & NUMBER):
                continue
            path = f"{folder.path}/{text}"
            entry = records.entry(path, reference, index.shorts.get(reference), folder.node)
            found.append(entry or self._opened(path, reference, flags, folder.node))
        return found

    def _opened(self, path: str, reference: int, flags: int, parent: int) -> Entry:
        """Return the entry of a name in an index by the library."""
        number = reference & NUMBER
        try:
            item = self._fs.open_meta(inode=number)
            meta = item.info.meta
            allocated = int(meta.flags) & _META_ALLOCATED
            if allocated and int(meta.seq) == reference >> SEQUENCE_AT:
                return self._of_item(item, path, parent)
            why = "its record is that of another file, or of none"
        except FOREIGN_ERRORS:
            why = _NO_RECORD
        return self._unreadable(path, number, why, folder=bool(flags & IS_FOLDER))

    def _unreadable(self, path: str, node: int, why: str, *, folder: bool) -> Entry:
        """Return what is known of a name whose record is none; what a folder names is not known."""
        if folder:
            self.incomplete.append(f"{path}: {why}")
        return Entry("folder" if folder else "file", path, node=node, unhashed=why)

    def _by_library(self, folder: _Folder) -> list[Entry]:
        """Return the entries of a folder as the library walks it."""
        try:
            directory = self._fs.open_dir(inode=folder.node)
            listing = iter(directory)
        except FOREIGN_ERRORS as error:
            failure = _foreign(f"open the folder {folder.path or '/'}", error)
            if not folder.path:
                raise failure from error
            self.incomplete.append(f"{folder.path}: {failure.reason}")
            return []
        found: list[Entry] = []
        itself = not self._names_itself(folder, directory)
        while True:
            try:
                item = next(listing)
            except StopIteration:
                break
            except FOREIGN_ERRORS as error:  # NOTE: comes mid-folder; the rest of it is lost
                self.incomplete.append(f"{folder.path or '/'}: {_reason(error)}")
                break
            itself = itself or item.info.name.name == b"."
            try:
                entry = self._entry(folder, item)
            except FOREIGN_ERRORS as error:
                self.incomplete.append(f"{folder.path or '/'}: a name: {_reason(error)}")
                continue
            if entry is not None:
                found.append(entry)
        if not itself:
            self.incomplete.append(f"{folder.path or '/'}: the folder has no entry for itself")
        return found

    def _names_itself(self, folder: _Folder, directory: Any) -> bool:
        """Whether every sound folder of that kind begins with an entry `.`.

        NOTE: FAT's root does not, nor does an ext folder that lies in its inode (inline data).
        """
        if self.kind.startswith("ext"):
            meta = directory.info.fs_file.meta
            return meta is not None and int(meta.size) >= _LEAST_BLOCK_BYTES
        return not self.is_ntfs and bool(folder.path)

    def _entry(self, folder: _Folder, item: Any) -> Entry | None:
        name = item.info.name
        raw: bytes = name.name
        if raw in {b".", b".."} or not int(name.flags) & _NAME_ALLOCATED:
            return None
        meta, node = item.info.meta, int(name.meta_addr)
        if meta is None:
            if not folder.path and self.is_ntfs and _is_own(raw.decode("utf-8", "replace"), node):
                return None
            path = f"{folder.path}/{raw.decode('utf-8', 'surrogateescape')}"
            return self._unreadable(path, node, _NO_RECORD, folder=int(name.type) == _NAMED_FOLDER)
        if not int(meta.flags) & _META_ALLOCATED or self._is_metadata(folder, name, meta):
            return None
        if self.is_ntfs and (int(name.meta_seq) != int(meta.seq) or int(name.type) == _UNDEFINED):
            # NOTE: a stale name: its record was given to another file since, or the library took
            # it from a record that no folder's index names.
            return None
        if self.is_ntfs and _NAME_LOSSY in raw:
            text = self._exact_name(item, folder.node) or raw.decode("utf-8", "surrogateescape")
        else:
            text = raw.decode("utf-8", "surrogateescape")
        return self._of_item(item, f"{folder.path}/{text}", folder.node)

    def _of_item(self, item: Any, path: str, parent: int) -> Entry:
        """Return the entry of an open file under a name of it, in the folder `parent`."""
        meta = item.info.meta
        entry = Entry(
            _KINDS.get(int(meta.type), "other"),
            path,
            size=int(meta.size),
            modified=_nanoseconds(meta.mtime, meta.mtime_nano),
            changed=_nanoseconds(meta.ctime, meta.ctime_nano),
            created=_nanoseconds(meta.crtime, meta.crtime_nano),
            node=int(meta.addr),
            links=max(1, int(meta.nlink)),
        )
        if entry.kind == "folder":
            entry.size = 0
        if entry.size < 0:  # NOTE: the library counts in signed numbers
            entry.size, entry.unhashed = 0, NOT_TRIED
        if entry.kind == "link":
            # NOTE: the library gives the target of a short link only; a long one is its data.
            target = meta.link or item.read_random(0, min(entry.size, _LONGEST_TARGET_BYTES))
            entry.target = target.decode("utf-8", "surrogateescape")
        self._add_attributes(entry, item, parent)
        return entry

    def _is_metadata(self, folder: _Folder, name: Any, meta: Any) -> bool:
        """Whether a name in the root is the filesystem's own, or made up by the library."""
        if folder.path:
            return False
        if int(meta.type) in _VIRTUAL:
            return True
        raw: bytes = name.name
        if self.is_ntfs:
            return _is_own(raw.decode("utf-8", "surrogateescape"), int(meta.addr))
        if self.kind.startswith("fat"):
            return raw.endswith(b"(Volume Label Entry)") and int(meta.size) == 0
        return False

    def _add_attributes(self, entry: Entry, item: Any, parent: int) -> None:
        if self._inodes is not None:
            self._inodes.describe(entry)
        if self.kind.startswith("fat"):
            entry.attributes = _fat_attributes(int(item.info.meta.mode))
        if entry.kind != "file" and not self.is_ntfs:
            return
        clusters = 0
        for attribute in item:
            info = attribute.info
            kind, named = int(info.type), info.name
            if kind in {_DATA, _DEFAULT_DATA} and not named:
                clusters += self._add_extents(entry, attribute)
            elif kind == _DATA:
                text = named.decode("utf-8", "surrogateescape")
                entry.streams.append(Stream(text, max(0, int(info.size))))
            elif self._marks is not None and kind in KINDS:
                text = (named or b"").decode("utf-8", "surrogateescape")
                self._marks.add(entry, parent, kind, text, _value(item, info))
        entry.streams.sort(key=lambda stream: stream.name)
        if clusters > int(self._fs.info.block_count):
            entry.unhashed = "its run list claims more clusters than the volume has"

    def _add_extents(self, entry: Entry, attribute: Any) -> int:
        total = 0
        for run in attribute:
            if self._image.marked and int(run.flags) & _RUN_FILLER:
                entry.unhashed = "a record that tells where its clusters lie is unreadable"
            if int(run.flags) & (_RUN_SPARSE | _RUN_FILLER):
                continue
            total += int(run.len)
            if len(entry.extents) < MOST_EXTENTS:
                entry.extents.append((int(run.addr), int(run.len)))
        return total

    @staticmethod
    def _exact_name(item: Any, parent: int) -> str | None:
        """Return the name with lone surrogates kept, from the record's own $FILE_NAME.

        # SPEC: $FILE_NAME: parent reference u48 at 0, length u8 at 64, namespace u8 at 65, UTF-16
        at 66 (libfsntfs, NTFS format).
        """
        names: list[str] = []
        for attribute in item:
            if int(attribute.info.type) != _FILE_NAME:
                continue
            size = min(int(attribute.info.size), 66 + 510)
            data = item.read_random(0, size, _FILE_NAME, int(attribute.info.id))
            if int.from_bytes(data[:6], "little") == parent:
                length = data[64] * 2
                names.append(data[66 : 66 + length].decode("utf-16-le", "surrogatepass"))
        lossy = [name for name in names if any("\ud800" <= char <= "\udfff" for char in name)]
        return lossy[0] if len(lossy) == 1 else None

    def _file(self, node: int) -> Any:
        if self._open[0] != node:
            self._open = (node, self._fs.open_meta(inode=node))
        return self._open[1]

    def prepare(self, nodes: Iterable[int]) -> None:
        """Read the records or inodes of files that are read next, in the order of the drive."""
        if self.records is not None:
            table = self.records.table
            place_of, least = table.place_of, table.record_bytes
        elif self._inodes is not None:
            place_of, least = self._inodes.place_of, self._inodes.groups.inode_bytes
        else:
            return
        places = (place_of(node) for node in nodes)
        self._image.read_ahead((place for place in places if place is not None), least)

    def read(self, entry: Entry, offset: int, length: int, stream: str | None = None) -> bytes:
        """Return exactly `length` bytes; a short answer of the library is an error."""
        if length == 0:
            return b""  # NOTE: the library raises on reads of nothing
        try:
            item = self._file(entry.node)
            if stream is None:
                data = item.read_random(offset, length)
            else:
                data = item.read_random(offset, length, _DATA, self._stream_id(item, stream))
        except FOREIGN_ERRORS as error:
            raise _foreign(f"read {entry.path}", error) from error
        if len(data) != length:
            raise ReaderError(
                "pytsk3", f"read {entry.path}", f"gave {len(data)} of {length} bytes at {offset}"
            )
        return bytes(data)

    @staticmethod
    def _stream_id(item: Any, stream: str) -> int:
        wanted = stream.encode("utf-8", "surrogateescape")
        for attribute in item:
            if int(attribute.info.type) == _DATA and attribute.info.name == wanted:
                return int(attribute.info.id)
        raise KeyError(stream)

    def place(self, first: int, count: int) -> Place:
        """Return where a run lies; on FAT the library counts in sectors."""
        block_bytes = int(self._fs.info.block_size)
        return Place(None, first * block_bytes, count * block_bytes)

    def places(self, entry: Entry) -> Iterator[Place]:
        """Yield where the data, the streams and the index of an entry lie."""
        try:
            runs = list(runs_of(self._file(entry.node), int(self._fs.info.block_size)))
        except FOREIGN_ERRORS as error:
            raise _foreign(f"find the clusters of {entry.path}", error) from error
        for kind, name, place in runs:
            stream = kind == _DATA and name is not None
            path = f"{entry.path}:{name}" if stream else entry.path
            yield Place(path, place.start, place.length)

    def change_journal(self) -> ChangeJournal | None:
        """Return what NTFS's journal of changes says.

        SPEC: the stream $Max holds its largest size, its step, its identifier and its lowest
        number, eight bytes each; the next number is the length of the stream $J (libfsntfs, "NTFS
        format", change journal).
        """
        if not self.is_ntfs:
            return None
        try:
            journal = self._fs.open_meta(inode=self._in_extend()[_CHANGE_JOURNAL])
            streams = {attribute.info.name: attribute.info for attribute in journal}
            head, records = streams[b"$Max"], streams[b"$J"]
            data = journal.read_random(0, _JOURNAL_HEAD.size, _DATA, int(head.id))
            _, _, identifier, _ = _JOURNAL_HEAD.unpack(data)
        except (*FOREIGN_ERRORS, DamagedIndexError, struct.error):
            return None
        return ChangeJournal(id=f"{identifier:016X}", position=int(records.size))

    def _in_extend(self) -> dict[str, int]:
        """Return the record numbers of what stands in the folder $Extend."""
        numbers = self._numbers(int(self._fs.info.root_inum))
        return self._numbers(numbers[_EXTEND])

    def _numbers(self, folder: int) -> dict[str, int]:
        """Return the record numbers of what stands in an NTFS folder."""
        if self.records is not None:
            names = index_of(self.records.table, folder).names
            return {text: reference & NUMBER for text, reference, _ in names}
        walked = [item.info.name for item in self._fs.open_dir(inode=folder)]
        return {name.name.decode("utf-8", "replace"): int(name.meta_addr) for name in walked}

    def structures(self) -> Iterator[Place]:
        """Yield the filesystem's own structures."""
        block_bytes = int(self._fs.info.block_size)
        for node, name in own_files(self.kind):
            try:
                runs = list(runs_of(self._fs.open_meta(inode=node), block_bytes))
            except FOREIGN_ERRORS:
                continue
            for _, stream, place in runs:
                if stream != _BAD_CLUSTERS:
                    yield Place(name, place.start, place.length)
        if self.kind.startswith("fat"):
            yield from fat_structures(self.window)
        elif not self.is_ntfs:
            yield from ext_structures(self.window)

    def reparse_data(self, entry: Entry) -> bytes:
        """Return the data of a reparse point (at most 16 KiB, [MS-FSCC] 2.1.2)."""
        try:
            item = self._file(entry.node)
            for attribute in item:
                if int(attribute.info.type) == _REPARSE:
                    size = min(int(attribute.info.size), 16 << 10)
                    data = item.read_random(0, size, _REPARSE, int(attribute.info.id))
                    return bytes(data)
        except FOREIGN_ERRORS as error:
            raise _foreign(f"read the reparse data of {entry.path}", error) from error
        return b""


_OWN_NAMES = {number: name for number, name in enumerate(NTFS_FILES) if name.startswith("$")}
_OWN_NAMES[5] = "."


def _is_own(name: str, number: int) -> bool:
    """Whether a name in the root of NTFS is one of the filesystem's own files, or the root.

    NOTE: record 9 was that of $Quota before NTFS 3.
    """
    return _OWN_NAMES.get(number) == name or (number, name) == (9, "$Quota")


def _path_of(entry: Entry) -> str:
    return entry.path


def _fat_attributes(mode: int) -> int:
    """Return read-only (1) and hidden (2) of a FAT entry; the library tells no more.

    NOTE: it makes a Unix mode of them: 0333 stands for read-only, 0555 for hidden.
    """
    return (0 if mode & 0o444 else 1) | (0 if mode & 0o222 else 2)


def _leads_elsewhere(entry: Entry) -> bool:
    """Whether a folder's reparse point stands for another place, as junctions and links do.

    SPEC: [MS-FSCC] 2.1.2.1: bit 29 of the tag, the name surrogate. Other tagged folders (those of
    cloud storage) have contents of their own.
    """
    return entry.reparse is not None and bool(int(entry.reparse, 16) & _NAME_SURROGATE)


def _value(item: Any, info: Any) -> bytes:
    size = min(int(info.size), MOST_VALUE_BYTES)
    return bytes(item.read_random(0, size, int(info.type), int(info.id))) if size else b""


def _nanoseconds(seconds: int | None, fraction: int | None) -> int | None:
    return int(seconds) * 1_000_000_000 + int(fraction or 0) if seconds else None


def _reason(error: BaseException) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__


def _foreign(doing: str, error: BaseException) -> ReaderError:
    return ReaderError("pytsk3", doing, _reason(error))
