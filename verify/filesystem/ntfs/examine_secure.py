"""$Secure of an NTFS volume: the descriptors, their mirror copies, and both indexes.

Sources: libfsntfs, NTFS format, 'The security descriptor stream' and '$Secure'; the hash is that of
ntfs-3g (security.c, ntfs_security_hash).
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from verify.filesystem.examination import Effect
from verify.filesystem.ntfs.examine_indexes import view_entries
from verify.filesystem.ntfs.examined_volume import SECURE, FaultyError, system_fault
from verify.filesystem.ntfs.records import DATA_TYPE
from verify.filesystem.ntfs.security import MIRROR_BYTES
from verify.structs.ntfs import SECURITY_ENTRY
from verify.text.message import say

if TYPE_CHECKING:
    from verify.filesystem.ntfs.examined_volume import Examined, Gathered, IndexParts

BY_ID, BY_HASH, STREAM = "$SII", "$SDH", "$SDS"
_MOST_STREAM_BYTES = 64 << 20
_ENTRY = struct.Struct("<HH4xHH")
_KEY_AT = 16
_KEY_BYTES = {BY_ID: 4, BY_HASH: 8}
_HEADER = SECURITY_ENTRY.packed("hash", "security_id", "offset", "size")


class SecurityFile:
    """$Secure of one volume: `rows` are the entries of each index by their security identifier."""

    def __init__(self, volume: Examined, gathered: Gathered) -> None:
        """Take what was gathered."""
        self.volume, self.gathered = volume, gathered
        self.rows: dict[str, dict[int, bytes]] = {}

    def take(self, parts: IndexParts) -> None:
        """Take one of its indexes.

        Raises:
            FaultyError: it is not whole.
        """
        rows = self.rows.setdefault(parts.name, {})
        keys: list[bytes] = []
        for entry in view_entries(self.volume, parts):
            data_at, length, _, key_length = _ENTRY.unpack_from(entry)
            data = entry[data_at : data_at + SECURITY_ENTRY.size]
            key = entry[_KEY_AT : _KEY_AT + key_length]
            if (
                key_length != _KEY_BYTES[parts.name]
                or length < SECURITY_ENTRY.size
                or len(data) < SECURITY_ENTRY.size
                or not data[:8].endswith(key)
                or (keys and _order(key) <= _order(keys[-1]))
            ):
                raise FaultyError(
                    say("index"),
                    say("entry"),
                    key.hex(),
                    say("its descriptor's, in order"),
                    parts.root.at,
                )
            keys.append(key)
            rows[int.from_bytes(data[4:8], "little")] = data

    def hold(self) -> None:
        """Hold the stream against its copies and both indexes, and what records name against it."""
        whole = self.gathered.kept.get((SECURE, DATA_TYPE, STREAM))
        if whole is None or not {BY_ID, BY_HASH} <= self.rows.keys():
            for name in {BY_ID, BY_HASH} - self.rows.keys():
                if SECURE not in self.gathered.broken:
                    self._fault(
                        say("index {name}", name=name), say("none"), say("one"), Effect.LOST
                    )
            if whole is None and SECURE not in self.gathered.broken:
                self._fault(say("stream {name}", name=STREAM), say("none"), say("one"), Effect.LOST)
            return
        stream = self.volume.bytes_of(whole, _MOST_STREAM_BYTES)
        by_id, by_hash = self.rows[BY_ID], self.rows[BY_HASH]
        self.volume.structure.compared(len(by_id) + len(by_hash))
        for identifier, row in by_id.items():
            self._hold_row(identifier, row, stream)
            if by_hash.get(identifier) != row:
                self._fault(
                    say(
                        "{name} of identifier {identifier}",
                        name=BY_HASH,
                        identifier=identifier,
                    ),
                    say("another"),
                    say("that of $SII"),
                )
        for identifier in sorted(by_hash.keys() - by_id.keys()):
            self._fault(
                say("{name} of identifier {identifier}", name=BY_ID, identifier=identifier),
                say("none"),
                say("that of $SDH"),
            )
        for identifier in sorted(self.gathered.security - by_id.keys() - {0}):
            self._fault(
                say("identifier {identifier}", identifier=identifier),
                say("none"),
                say("the one that files name"),
                Effect.LOST,
            )

    def _hold_row(self, identifier: int, row: bytes, stream: bytes) -> None:
        """Hold a descriptor and its mirror copy."""
        _, _, at, size = _HEADER.unpack_from(row)
        own, copy = (_descriptor(stream, row, place, size) for place in (at, at + MIRROR_BYTES))
        if own is None or copy != own:
            self._fault(
                say("{name} of identifier {identifier}", name=STREAM, identifier=identifier),
                say("descriptor") if own is None else say("mirror copy"),
                say("whole, twice"),
                Effect.LOST if own is None and copy is None else Effect.REPAIRED,
            )

    def _fault(
        self, field: str, stored: str, expected: str, effect: Effect = Effect.REPAIRED
    ) -> None:
        system_fault(self.volume, SECURE, field, stored, expected, effect)


def _descriptor(stream: bytes, row: bytes, at: int, size: int) -> bytes | None:
    """Return the entry at a byte of the stream; `None`: it is not the one that the row tells."""
    entry = stream[at : at + size]
    whole = len(entry) == size > SECURITY_ENTRY.size and entry.startswith(row)
    return entry if whole and _hash(entry[SECURITY_ENTRY.size :]) == row[:4] else None


def _hash(descriptor: bytes) -> bytes:
    """Return the hash of a descriptor as it is stored."""
    value = 0
    for (word,) in struct.iter_unpack("<I", descriptor[: len(descriptor) & ~3]):
        value = (value >> 29 | value << 3) + word & 0xFFFFFFFF
    return value.to_bytes(4, "little")


def _order(key: bytes) -> tuple[int, ...]:
    return tuple(int.from_bytes(key[at : at + 4], "little") for at in range(0, len(key), 4))


def is_of_secure(parts: IndexParts) -> bool:
    """Whether an index is one of $Secure's."""
    return parts.record == SECURE and parts.name in _KEY_BYTES
