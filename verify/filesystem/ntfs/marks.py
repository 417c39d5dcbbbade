"""What an NTFS record keeps beside contents and times, taken from its attributes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from blake3 import blake3

from verify.errors import StructureError
from verify.filesystem.entry import CASE_SENSITIVE, Entry
from verify.filesystem.ntfs.records import DATA_TYPE, NUMBER
from verify.filesystem.ntfs.security import Security, descriptor, descriptors
from verify.filesystem.tsk.image import FOREIGN_ERRORS
from verify.structs.ntfs import FILE_NAME, SECURITY_ID_FIELD, STANDARD_INFORMATION
from verify.text.message import say

STANDARD_TYPE, FILE_NAME_TYPE, SECURITY_TYPE = 0x10, 0x30, 0x50
REPARSE_TYPE, EA_TYPE, LOGGED_STREAM_TYPE = 0xC0, 0xE0, 0x100
_DOS_NAMESPACE = 2
_NAMESPACE_AT = next(item.offset for item in FILE_NAME.fields if item.name == "namespace")

_SECURE_RECORD, _SECURE_STREAM = 9, b"$SDS"
_MOST_SECURITY_BYTES = 64 << 20
_STEP = 1 << 20

KINDS = frozenset(
    {STANDARD_TYPE, FILE_NAME_TYPE, SECURITY_TYPE, REPARSE_TYPE, EA_TYPE, LOGGED_STREAM_TYPE}
)
"""Attribute types that say something about an entry."""

MOST_VALUE_BYTES = 64 << 10
"""Extended attributes, security descriptors and key streams are at most this long."""

_ATTRIBUTES = STANDARD_INFORMATION.packed("attributes", "most_versions", "version")

BY_CASE = 0, 1
"""Most versions and version of a folder that tells names apart by case (keramics, NTFS format)."""

MOST_REPARSE_BYTES = 16 << 10
"""[MS-FSCC] 2.1.2."""

_JUNCTION, _SYMBOLIC_LINK = 0xA0000003, 0xA000000C
_NAMES_AT = {_JUNCTION: 16, _SYMBOLIC_LINK: 20}
"""Where the names of a reparse point begin ([MS-FSCC] 2.1.2.4 and 2.1.2.5)."""

_DIGEST_DIGITS = 16
UNRESOLVED = "unresolved"
"""Security of a file whose identifier the volume's stream of descriptors does not have."""


@dataclass(slots=True)
class NtfsMarks:
    """Fills in entries from what their attributes say.

    `fs` is the open volume, for its stream of descriptors; a failure is added to `incomplete`.
    """

    fs: Any
    incomplete: list[str]
    _known: dict[int, Security] | None = None

    def add(self, entry: Entry, parent: int, kind: int, name: str, data: bytes) -> None:
        """Take over what one attribute of an entry in the folder `parent` says.

        `kind` is one of `KINDS`, `name` the attribute's own, `data` its first bytes, as many
        as `MOST_VALUE_BYTES` allows.
        """
        if kind == FILE_NAME_TYPE:
            _add_name(entry, parent, data)
        elif kind == STANDARD_TYPE:
            self._add_standard(entry, data)
        elif kind == SECURITY_TYPE:
            self.put_security(entry, self.own(data))
        elif kind == REPARSE_TYPE:
            _add_reparse(entry, data[:MOST_REPARSE_BYTES])
        elif kind == EA_TYPE:
            entry.extended.append(("$EA", blake3(data).hexdigest()[:_DIGEST_DIGITS]))
        elif kind == LOGGED_STREAM_TYPE:
            entry.extended.append((name, blake3(data).hexdigest()[:_DIGEST_DIGITS]))

    def _add_standard(self, entry: Entry, data: bytes) -> None:
        if len(data) < STANDARD_INFORMATION.size:
            return
        entry.attributes, versions, version = _ATTRIBUTES.unpack_from(data)
        if entry.kind == "folder" and (versions, version) == BY_CASE:
            entry.attributes |= CASE_SENSITIVE
        start, end = SECURITY_ID_FIELD
        identifier = int.from_bytes(data[start:end], "little") if len(data) >= end else 0
        if identifier and entry.security is None:
            self.put_security(entry, self.known(identifier))

    def known(self, identifier: int) -> Security | None:
        """Return the descriptor that the volume keeps under an identifier; `None`: it has none."""
        return self._descriptors().get(identifier)

    @staticmethod
    def own(data: bytes) -> Security | None:
        """Return a descriptor that stands in a record itself; `None` where it is damaged."""
        try:
            return descriptor(data)
        except StructureError:
            return None

    @staticmethod
    def put_security(entry: Entry, security: Security | None) -> None:
        """Take over a descriptor that an entry refers to."""
        entry.security = security.text if security else UNRESOLVED
        entry.owner = security.owner if security else None

    def _descriptors(self) -> dict[int, Security]:
        """Read the volume's descriptors, once; what fails on the way is unresolved later."""
        if self._known is None:
            self._known = {}
            try:
                self._known = descriptors(self._stream())
            except FOREIGN_ERRORS:
                self.incomplete.append(say("$Secure: it cannot be read, and owners are not known"))
        return self._known

    def _stream(self) -> bytes:
        """Return the stream that keeps the descriptors; empty where there is none."""
        secure = self.fs.open_meta(inode=_SECURE_RECORD)
        for attribute in secure:
            info = attribute.info
            if int(info.type) == DATA_TYPE and info.name == _SECURE_STREAM:
                size = min(int(info.size), _MOST_SECURITY_BYTES)
                return b"".join(
                    bytes(secure.read_random(at, min(_STEP, size - at), DATA_TYPE, int(info.id)))
                    for at in range(0, size, _STEP)
                )
        return b""


def _add_name(entry: Entry, parent: int, data: bytes) -> None:
    """Keep the short name that stands in the same folder.

    NOTE: where a file has several names in one folder, all of them get it.
    """
    if len(data) < FILE_NAME.size or data[_NAMESPACE_AT] != _DOS_NAMESPACE:
        return  # as nearly all are: not worth a record each
    head = FILE_NAME.parse(data)
    if head.number("parent") & NUMBER == parent:
        end = FILE_NAME.size + 2 * head.number("length")
        entry.short = data[FILE_NAME.size : end].decode("utf-16-le", "replace")


def _add_reparse(entry: Entry, data: bytes) -> None:
    tag = int.from_bytes(data[:4], "little")
    entry.reparse = f"{tag:08X}"
    names = _NAMES_AT.get(tag)
    if names is None:
        return
    start = names + int.from_bytes(data[8:10], "little")
    length = int.from_bytes(data[10:12], "little")
    entry.target = data[start : start + length].decode("utf-16-le", "replace")
