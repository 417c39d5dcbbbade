"""Names of an ext folder from its own blocks, read in one go.

The library opens every inode that a folder names before it gives the name, and the time it takes
grows with the square of the names. Only a whole folder is read here; a damaged one gives nothing.

Source: Linux fs/ext4/dir.c (__ext4_check_dir_entry); Documentation/filesystems/ext4/directory.rst.
A folder with a hash tree reads as one without: its index blocks look like entries not in use.
"""

from __future__ import annotations

import struct

from verify.structs.ext import FOLDER_ENTRY
from verify.text.message import say

_unpack = FOLDER_ENTRY.packed("inode", "rec_len", "name_len", "file_type").unpack_from
_HEAD_BYTES = FOLDER_ENTRY.size
_SHORTEST = 12
ENCODED_BLOCK = 65536
"""From this size on, blocks have lengths that two bytes do not hold."""

_WHOLE_BLOCK = 65535

DAMAGED = say("the folder is damaged")
TWICE = say("the folder has a name twice")
NO_SELF = say("the folder has no entry for itself")
BAD_NAME = say("the folder has a name that cannot be one")

FOLDER_KIND = 2
"""What an entry has as its kind for a folder, where the volume keeps kinds (directory.rst)."""


class DamagedFolderError(Exception):
    """A folder that is not whole: names may be missing from it. `reason` says what is wrong."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


def names_in(block: bytes, number: int | None) -> list[tuple[int, bytes, int]]:
    """Return (inode, name, kind) of the entries in use of one block of a folder.

    `number`: the folder's inode, for its first block, which begins with `.` and `..`.

    Raises:
        DamagedFolderError: the entries do not reach to the block's end, each behind the other, or
            a name cannot be one.
    """
    found: list[tuple[int, bytes, int]] = []
    at, end = 0, len(block)
    try:
        while at < end:
            inode, length, name_bytes, kind = _unpack(block, at)
            if end >= ENCODED_BLOCK:
                length = entry_length(length, end)
            start = at + _HEAD_BYTES
            if (
                length < _SHORTEST
                or length & 3
                or _HEAD_BYTES + name_bytes > length
                or at + length > end
            ):
                raise DamagedFolderError(DAMAGED)
            if inode:
                found.append((inode, block[start : start + name_bytes], kind))
            at += length
    except struct.error as error:
        raise DamagedFolderError(DAMAGED) from error
    if number is not None:
        if [name for _, name, _ in found[:2]] != [b".", b".."] or found[0][0] != number:
            raise DamagedFolderError(NO_SELF)
        del found[:2]
    together = b"\xff".join([name for _, name, _ in found])
    if b"/" in together or b"\0" in together or not all(name for _, name, _ in found):
        raise DamagedFolderError(BAD_NAME)
    return found


def entry_length(length: int, size: int) -> int:
    """Return an entry's length in a block of `size` bytes; 64 KiB have a code of their own."""
    if size < ENCODED_BLOCK:
        return length
    if length in {0, _WHOLE_BLOCK}:
        return size
    return length & ~3 | (length & 3) << 16
