"""A filesystem read through pytsk3 (The Sleuth Kit's Python binding, Apache-2.0).

What is the same for all filesystems that are read this way; each has a class of its own in its
family's room. What the library gets wrong, and what is done about it, is noted where it matters;
the points were measured on images made by ordinary filesystem tools and are each held by a test.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pytsk3

from verify.errors import ReaderError
from verify.filesystem.entry import NOT_TRIED, RECORD_UNREADABLE, RUNS_TOO_LONG, Entry, Kind
from verify.filesystem.tree import below
from verify.filesystem.tsk.image import FOREIGN_ERRORS, LibraryImage
from verify.filesystem.volume import MOST_EXTENTS, Place
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.filesystem.description import ChangeJournal
    from verify.source.window import Window

META_ALLOCATED = 1
NAMED_FOLDER = 3
DATA, DEFAULT_DATA = 128, 1
"""Types of attributes: contents, and those of filesystems that know no others."""

NO_RECORD = say("its record is unreadable")

_NAME_ALLOCATED = 1
_REGULAR, _FOLDER, _LINK = 1, 2, 6
_VIRTUAL = frozenset({10, 11})
_KINDS: dict[int, Kind] = {_REGULAR: "file", _FOLDER: "folder", _LINK: "link"}

_LONGEST_TARGET_BYTES = 4096
"""PATH_MAX (linux/limits.h)."""

_RUN_FILLER, _RUN_SPARSE = 1, 2


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder that is being listed: its path (empty: the root) and its inode or record."""

    path: str
    node: int


class LibraryVolume:
    """A volume as the library reads it.

    Of its own, a filesystem has the library's number for it, and what the methods with an
    underscore say.
    """

    def __init__(self, window: Window, library_type: int) -> None:
        """Open the filesystem.

        Raises:
            ReaderError: the library does not take it (ext with bigalloc, NTFS clusters of 2 MiB).
        """
        self.window = window
        self.incomplete: list[str] = []
        self._open: tuple[int, Any] = (-1, None)
        try:
            self._image = LibraryImage(window)
            self._prepare_image()
            # NOTE: without its type the library tries all of them, and reads sectors all over the
            # volume for it: one that fails would end what it has nothing to do with.
            self._fs = pytsk3.FS_Info(self._image, 0, library_type)
        except FOREIGN_ERRORS as error:
            raise foreign(say("open the filesystem"), error) from error

    @property
    def narrowed(self) -> int:
        """How many failed reads were answered in part."""
        return int(self._image.narrowed)

    @property
    def _block_bytes(self) -> int:
        """Bytes of what the library counts in; on FAT these are sectors."""
        return int(self._fs.info.block_size)

    # --- what a filesystem has of its own ---

    def _prepare_image(self) -> None:
        """Tell the image what it should know before the library opens it."""

    def _names_itself(self, folder: Folder, directory: Any) -> bool:  # noqa: ARG002
        """Whether every sound folder of that kind begins with an entry `.`."""
        return True

    def _is_own(self, folder: Folder, name: Any, meta: Any) -> bool:  # noqa: ARG002
        """Whether a name is the filesystem's own, or stale, and no file; `meta` may be `None`."""
        return False

    def _text(self, folder: Folder, item: Any) -> str:  # noqa: ARG002
        """Return a name as text."""
        raw: bytes = item.info.name.name
        return raw.decode("utf-8", "surrogateescape")

    def _describe(self, entry: Entry, item: Any, parent: int) -> None:
        """Fill in what the library does not tell of an open file in the folder `parent`."""
        if entry.kind == "file":
            self._add_attributes(entry, item, parent)

    def _add_attribute(self, entry: Entry, item: Any, attribute: Any, parent: int) -> None:
        """Take over an attribute that is not the file's contents."""

    def _record_places(self, nodes: Iterable[int]) -> tuple[Iterator[int], int]:
        """Return where the records or inodes of files are, and the bytes of one."""
        del nodes
        return iter(()), 0

    def _own_files(self) -> Iterable[tuple[int, str]]:
        """Yield (record or inode, name) of the files that hold the filesystem's structures."""
        return ()

    def _own_places(self) -> Iterator[Place]:
        """Yield where structures lie that are no files."""
        return iter(())

    def _bytes(self, item: Any, offset: int, length: int, stream: str | None) -> bytes:
        """Return bytes of an open file as the library gives them."""
        if stream is not None:
            raise KeyError(stream)
        return bytes(item.read_random(offset, length))

    def change_journal(self) -> ChangeJournal | None:
        """Return what the volume's journal of changes says; `None`: there is none."""
        return None

    def reparse_data(self, entry: Entry) -> bytes:  # noqa: ARG002 - the protocol has it
        """Return the data of a reparse point; empty where there is none."""
        return b""

    def is_branch(self, entry: Entry) -> bool:
        """Whether a folder has contents of its own, and is no link to another place."""
        return entry.kind == "folder" and not entry.unhashed

    # --- listing ---

    def entries(self) -> Iterator[Entry]:
        """Yield every allocated name, a folder before its contents, siblings by code points."""
        return below(self)

    def children(self, folder: Entry | None) -> list[Entry]:
        """Read one folder (`None`: the root); what cannot be read is reported in `incomplete`."""
        found = self._list(Folder("" if folder is None else folder.path, self.mark(folder)))
        found.sort(key=_path_of)
        return found

    def mark(self, folder: Entry | None) -> int:
        """Return a folder's inode or record."""
        return int(self._fs.info.root_inum) if folder is None else folder.node

    def _list(self, folder: Folder) -> list[Entry]:
        """Return the entries of a folder, in no order."""
        return self._by_library(folder)

    def _unreadable(self, path: str, node: int, why: str, *, folder: bool) -> Entry:
        """Return what is known of a name without a valid record; a folder has no contents."""
        if folder:
            self.incomplete.append(f"{path}: {why}")
        return Entry("folder" if folder else "file", path, node=node, unhashed=why)

    def _by_library(self, folder: Folder) -> list[Entry]:
        """Return the entries of a folder as the library walks it."""
        try:
            directory = self._fs.open_dir(inode=folder.node)
            listing = iter(directory)
        except FOREIGN_ERRORS as error:
            failure = foreign(say("open the folder {path}", path=folder.path or "/"), error)
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
                self.incomplete.append(
                    say("{path}: a name: {reason}", path=folder.path or "/", reason=_reason(error))
                )
                continue
            if entry is not None:
                found.append(entry)
        if not itself:
            self.incomplete.append(
                say("{path}: the folder has no entry for itself", path=folder.path or "/")
            )
        return found

    def _entry(self, folder: Folder, item: Any) -> Entry | None:
        name, meta = item.info.name, item.info.meta
        raw: bytes = name.name
        if raw in {b".", b".."} or not int(name.flags) & _NAME_ALLOCATED:
            return None
        if meta is not None and not int(meta.flags) & META_ALLOCATED:
            return None
        if meta is not None and not folder.path and int(meta.type) in _VIRTUAL:
            return None  # made up by the library
        if self._is_own(folder, name, meta):
            return None
        if meta is None:
            path, is_folder = (
                f"{folder.path}/{raw.decode('utf-8', 'surrogateescape')}",
                int(name.type) == NAMED_FOLDER,
            )
            return self._unreadable(path, int(name.meta_addr), NO_RECORD, folder=is_folder)
        return self._of_item(item, f"{folder.path}/{self._text(folder, item)}", folder.node)

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
        self._describe(entry, item, parent)
        return entry

    def _add_attributes(self, entry: Entry, item: Any, parent: int) -> None:
        """Take over what an open file's attributes say."""
        clusters = 0
        for attribute in item:
            info = attribute.info
            if int(info.type) in {DATA, DEFAULT_DATA} and not info.name:
                clusters += self._add_extents(entry, attribute)
            else:
                self._add_attribute(entry, item, attribute, parent)
        entry.streams.sort(key=lambda stream: stream.name)
        if clusters > int(self._fs.info.block_count):
            entry.unhashed = RUNS_TOO_LONG

    def _add_extents(self, entry: Entry, attribute: Any) -> int:
        total = 0
        for run in attribute:
            if self._image.marked and int(run.flags) & _RUN_FILLER:
                entry.unhashed = RECORD_UNREADABLE
            if int(run.flags) & (_RUN_SPARSE | _RUN_FILLER):
                continue
            total += int(run.len)
            if len(entry.extents) < MOST_EXTENTS:
                entry.extents.append((int(run.addr), int(run.len)))
        return total

    # --- reading ---

    def _file(self, node: int) -> Any:
        if self._open[0] != node:
            self._open = (node, self._fs.open_meta(inode=node))
        return self._open[1]

    def straight(self, node: int, size: int) -> bytes | int | None:  # noqa: ARG002
        """Return contents that need no library, or where they lie; `None`: they do."""
        return None

    def prepare(self, nodes: Iterable[int]) -> None:
        """Read the records or inodes of files that are read next, in the order of the drive."""
        places, least = self._record_places(nodes)
        if least:
            self._image.read_ahead(places, least)

    def read(self, entry: Entry, offset: int, length: int, stream: str | None = None) -> bytes:
        """Return exactly `length` bytes; a short answer of the library is an error."""
        if length == 0:
            return b""  # NOTE: the library raises on reads of nothing
        try:
            data = self._bytes(self._file(entry.node), offset, length, stream)
        except FOREIGN_ERRORS as error:
            raise foreign(say("read {path}", path=entry.path), error) from error
        if len(data) != length:
            raise ReaderError(
                "pytsk3",
                say("read {path}", path=entry.path),
                say(
                    "gave {count} of {length} bytes at {offset}",
                    count=len(data),
                    length=length,
                    offset=offset,
                ),
            )
        return data

    # --- places ---

    def place(self, first: int, count: int) -> Place:
        """Return where a run lies; on FAT the library counts in sectors."""
        return Place(None, first * self._block_bytes, count * self._block_bytes)

    def places(self, entry: Entry) -> Iterator[Place]:
        """Yield where the data, the streams and the index of an entry lie."""
        try:
            runs = list(runs_of(self._file(entry.node), self._block_bytes))
        except FOREIGN_ERRORS as error:
            raise foreign(say("find the clusters of {path}", path=entry.path), error) from error
        for kind, name, place in runs:
            stream = kind == DATA and name is not None
            path = f"{entry.path}:{name}" if stream else entry.path
            yield Place(path, place.start, place.length)

    def structures(self) -> Iterator[Place]:
        """Yield the filesystem's own structures."""
        for node, name in self._own_files():
            try:
                runs = list(runs_of(self._fs.open_meta(inode=node), self._block_bytes))
            except FOREIGN_ERRORS:
                continue
            for _, stream, place in runs:
                if self._is_structure(stream):
                    yield Place(name, place.start, place.length)
        yield from self._own_places()

    def _is_structure(self, stream: str | None) -> bool:  # noqa: ARG002
        """Whether a stream of one of the filesystem's own files holds structures."""
        return True


def runs_of(item: Any, block_bytes: int) -> Iterator[tuple[int, str | None, Place]]:
    """Yield (attribute type, attribute name, place) of every run of a file, as the library has it.

    Sparse and filler runs have no place.
    """
    for attribute in item:
        name = attribute.info.name
        text = name.decode("utf-8", "surrogateescape") if name else None
        for run in attribute:
            if not int(run.flags) & (_RUN_FILLER | _RUN_SPARSE):
                place = Place(None, int(run.addr) * block_bytes, int(run.len) * block_bytes)
                yield int(attribute.info.type), text, place


def foreign(doing: str, error: BaseException) -> ReaderError:
    """Return the library's error as one of ours."""
    return ReaderError("pytsk3", doing, _reason(error))


def _path_of(entry: Entry) -> str:
    return entry.path


def _nanoseconds(seconds: int | None, fraction: int | None) -> int | None:
    return int(seconds) * 1_000_000_000 + int(fraction or 0) if seconds else None


def _reason(error: BaseException) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__
