"""Listing NTFS: by each folder's own index and by records, and by the library where these fail."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Any

import pytsk3

from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.description import ChangeJournal
from verify.filesystem.entry import Stream
from verify.filesystem.ntfs.change_notes import newest_note
from verify.filesystem.ntfs.entries import RecordEntries
from verify.filesystem.ntfs.index import IS_FOLDER, DamagedIndexError, index_of
from verify.filesystem.ntfs.marks import (
    FILE_NAME_TYPE,
    KINDS,
    MOST_REPARSE_BYTES,
    MOST_VALUE_BYTES,
    REPARSE_TYPE,
    NtfsMarks,
)
from verify.filesystem.ntfs.record_table import RecordTable, mft_of
from verify.filesystem.ntfs.records import NUMBER, SEQUENCE_AT
from verify.filesystem.tsk.image import FOREIGN_ERRORS
from verify.filesystem.tsk.volume import (
    DATA,
    META_ALLOCATED,
    NO_RECORD,
    Folder,
    LibraryVolume,
    foreign,
)
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.filesystem.entry import Entry
    from verify.source.window import Window

# SPEC: NTFS keeps its structures in files of fixed record numbers (libfsntfs, NTFS format).
OWN_FILES = (
    "$MFT",
    "$MFTMirr",
    "$LogFile",
    "$Volume",
    "$AttrDef",
    say("the root folder"),
    "$Bitmap",
    "$Boot",
    "$BadClus",
    "$Secure",
    "$UpCase",
    "$Extend",
)
_OWN_NAMES = {number: name for number, name in enumerate(OWN_FILES) if name.startswith("$")}
_OWN_NAMES[5] = "."

_BAD_CLUSTERS = "$Bad"
"""The stream of $BadClus that spans the whole volume."""

_EXTEND, _CHANGE_JOURNAL = "$Extend", "$UsnJrnl"
_JOURNAL_HEAD = struct.Struct("<4Q")

_UNDEFINED = 0
_NAME_SURROGATE = 0x20000000
_NAME_LOSSY = b"^"
"""What the library writes for UTF-16 that is no text; the exact name is then read again."""


class NtfsListing(LibraryVolume):
    """An NTFS volume. `records`: what reads it without the library; `None` where $MFT is lost."""

    def __init__(self, window: Window) -> None:
        """Open the filesystem.

        Raises:
            ReaderError: the library does not take it (clusters of 2 MiB).
        """
        self._mft: RecordTable | None = None
        super().__init__(window, pytsk3.TSK_FS_TYPE_NTFS)
        self._marks = NtfsMarks(self._fs, self.incomplete)
        self.records = RecordEntries(self._mft, self._marks) if self._mft else None

    def _prepare_image(self) -> None:
        """Learn where the MFT lies: to read records in bulk, and so that a bad one hides no other.

        The image is given it too: the library must not give up on all records where one fails.
        """
        try:
            self._mft = mft = mft_of(self.window)
        except UNREADABLE as error:
            self.incomplete.append(
                say("$MFT: where it lies cannot be read: {error}", error=str(error))
            )
            return
        if mft.has_hole:
            self.incomplete.append(say("$MFT: a part of it lies nowhere"))
        self._image.records = mft.places
        self._image.record_bytes = mft.record_bytes

    def is_branch(self, entry: Entry) -> bool:
        """Whether a folder has contents of its own, and is no link to another place."""
        return super().is_branch(entry) and not _leads_elsewhere(entry)

    # --- by the index ---

    def _list(self, folder: Folder) -> list[Entry]:
        """Return the entries of a folder; what the library finds where its index is damaged.

        NOTE: the library takes a damaged index for a whole one, and names may be missing then.
        """
        records = self.records
        if records is None:
            return self._by_library(folder)
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
            if not folder.path and _is_own_name(text, reference & NUMBER):
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
            allocated = int(meta.flags) & META_ALLOCATED
            if allocated and int(meta.seq) == reference >> SEQUENCE_AT:
                return self._of_item(item, path, parent)
            why = say("its record is that of another file, or of none")
        except FOREIGN_ERRORS:
            why = NO_RECORD
        return self._unreadable(path, number, why, folder=bool(flags & IS_FOLDER))

    # --- by the library ---

    def _names_itself(self, folder: Folder, directory: Any) -> bool:  # noqa: ARG002
        return False

    def _is_own(self, folder: Folder, name: Any, meta: Any) -> bool:
        if not folder.path:
            raw: bytes = name.name
            if _is_own_name(raw.decode("utf-8", "surrogateescape"), int(name.meta_addr)):
                return True
        # NOTE: a stale name: its record was given to another file since, or the library took
        # it from a record that no folder's index names.
        return meta is not None and (
            int(name.meta_seq) != int(meta.seq) or int(name.type) == _UNDEFINED
        )

    def _text(self, folder: Folder, item: Any) -> str:
        lossy = _NAME_LOSSY in item.info.name.name
        exact = _exact_name(item, folder.node) if lossy else None
        return exact or super()._text(folder, item)

    def _describe(self, entry: Entry, item: Any, parent: int) -> None:
        self._add_attributes(entry, item, parent)

    def _add_attribute(self, entry: Entry, item: Any, attribute: Any, parent: int) -> None:
        info = attribute.info
        kind, name = int(info.type), (info.name or b"").decode("utf-8", "surrogateescape")
        if kind == DATA:
            entry.streams.append(Stream(name, max(0, int(info.size))))
        elif kind in KINDS:
            self._marks.add(entry, parent, kind, name, _value(item, info, MOST_VALUE_BYTES))

    # --- contents and places ---

    def _bytes(self, item: Any, offset: int, length: int, stream: str | None) -> bytes:
        if stream is None:
            return super()._bytes(item, offset, length, stream)
        return bytes(item.read_random(offset, length, DATA, _stream_id(item, stream)))

    def straight(self, node: int, size: int) -> bytes | int | None:
        """Return contents that need no library, or where they lie; `None`: they do."""
        return None if self.records is None else self.records.straight(node, size)

    def reparse_data(self, entry: Entry) -> bytes:
        """Return the data of a reparse point (at most 16 KiB, [MS-FSCC] 2.1.2)."""
        try:
            item = self._file(entry.node)
            for attribute in item:
                if int(attribute.info.type) == REPARSE_TYPE:
                    return _value(item, attribute.info, MOST_REPARSE_BYTES)
        except FOREIGN_ERRORS as error:
            raise foreign(say("read the reparse data of {path}", path=entry.path), error) from error
        return b""

    def _record_places(self, nodes: Iterable[int]) -> tuple[Iterator[int], int]:
        mft = self._mft
        if mft is None:
            return super()._record_places(nodes)
        places = (mft.place_of(node) for node in nodes)
        return (place for place in places if place is not None), mft.record_bytes

    def _own_files(self) -> Iterable[tuple[int, str]]:
        return enumerate(OWN_FILES)

    def _is_structure(self, stream: str | None) -> bool:
        return stream != _BAD_CLUSTERS

    # --- the journal of changes ---

    def change_journal(self) -> ChangeJournal | None:
        """Return what NTFS's journal of changes says.

        SPEC: the stream $Max holds its largest size, its step, its identifier and its lowest
        number, eight bytes each; the next number is the length of the stream $J (libfsntfs, "NTFS
        format", change journal).
        """
        try:
            in_extend = self._numbers(self._numbers(int(self._fs.info.root_inum))[_EXTEND])
            journal = self._fs.open_meta(inode=in_extend[_CHANGE_JOURNAL])
            streams = {attribute.info.name: attribute.info for attribute in journal}
            head, records = streams[b"$Max"], streams[b"$J"]
            data = journal.read_random(0, _JOURNAL_HEAD.size, DATA, int(head.id))
            _, _, identifier, _ = _JOURNAL_HEAD.unpack(data)
        except (*FOREIGN_ERRORS, DamagedIndexError, struct.error):
            return None
        position = int(records.size)

        def read(at: int, length: int) -> bytes:
            return bytes(journal.read_random(at, length, DATA, int(records.id)))

        try:
            written = newest_note(read, position)
        except FOREIGN_ERRORS:
            written = None
        return ChangeJournal(id=f"{identifier:016X}", position=position, written=written)

    def _numbers(self, folder: int) -> dict[str, int]:
        """Return the record numbers of what stands in a folder."""
        if self.records is not None:
            names = index_of(self.records.table, folder).names
            return {text: reference & NUMBER for text, reference, _ in names}
        walked = [item.info.name for item in self._fs.open_dir(inode=folder)]
        return {name.name.decode("utf-8", "replace"): int(name.meta_addr) for name in walked}


def _is_own_name(name: str, number: int) -> bool:
    """Whether a name in the root is one of the filesystem's own files, or the root.

    NOTE: record 9 was that of $Quota before NTFS 3.
    """
    return _OWN_NAMES.get(number) == name or (number, name) == (9, "$Quota")


def _leads_elsewhere(entry: Entry) -> bool:
    """Whether a folder's reparse point stands for another place, as junctions and links do.

    SPEC: [MS-FSCC] 2.1.2.1: bit 29 of the tag, the name surrogate. Other tagged folders (those of
    cloud storage) have contents of their own.
    """
    return entry.reparse is not None and bool(int(entry.reparse, 16) & _NAME_SURROGATE)


def _exact_name(item: Any, parent: int) -> str | None:
    """Return the name with lone surrogates kept, from the record's own $FILE_NAME.

    # SPEC: $FILE_NAME: parent reference u48 at 0, length u8 at 64, namespace u8 at 65, UTF-16
    at 66 (libfsntfs, NTFS format).
    """
    names: list[str] = []
    for attribute in item:
        if int(attribute.info.type) != FILE_NAME_TYPE:
            continue
        data = _value(item, attribute.info, 66 + 510)
        if int.from_bytes(data[:6], "little") == parent:
            length = data[64] * 2
            names.append(data[66 : 66 + length].decode("utf-16-le", "surrogatepass"))
    lossy = [name for name in names if any("\ud800" <= char <= "\udfff" for char in name)]
    return lossy[0] if len(lossy) == 1 else None


def _stream_id(item: Any, stream: str) -> int:
    wanted = stream.encode("utf-8", "surrogateescape")
    for attribute in item:
        if int(attribute.info.type) == DATA and attribute.info.name == wanted:
            return int(attribute.info.id)
    raise KeyError(stream)


def _value(item: Any, info: Any, most: int) -> bytes:
    """Return an attribute's first bytes, at most so many."""
    size = min(int(info.size), most)
    return bytes(item.read_random(0, size, int(info.type), int(info.id))) if size else b""
