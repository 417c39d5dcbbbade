"""The system files of an NTFS volume: boot code, mirror, tables, volume, log.

Sources: libfsntfs, NTFS format, 'The metadata files'; what a driver refuses: ntfs-3g (volume.c,
ntfs_device_mount; logfile.c, ntfs_check_logfile).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.errors import StructureError
from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.examination import Effect
from verify.filesystem.ntfs.examine_log import hold_log
from verify.filesystem.ntfs.examine_records import RECORD
from verify.filesystem.ntfs.examine_tables import hold_attribute_table, upper_case_of
from verify.filesystem.ntfs.examined_volume import (
    ATTRIBUTE_TABLE,
    BAD_CLUSTERS,
    BITMAP,
    BOOT,
    EXTEND,
    FIRST_OF_USERS,
    LOG_FILE,
    MFT,
    MIRROR,
    SECURE,
    SYSTEM_NAMES,
    UPPER_CASE,
    VOLUME,
    FaultyError,
    Whole,
    system_fault,
)
from verify.filesystem.ntfs.records import DATA_TYPE, repaired
from verify.structs.ntfs import FILE_RECORD, VOLUME_INFORMATION
from verify.text.message import say

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from verify.filesystem.ntfs.examined_volume import Examined, Gathered

BOOT_BYTES = 8192
"""Of $Boot, whatever a sector holds: libfsntfs, 'The metadata files'."""

MIRRORED, FIRST_FREE = 4, 16
_VOLUME_INFORMATION_TYPE = 0x70
_OLD = (1, 2)
_NOT_IN_OLD = frozenset({SECURE, EXTEND})
_KNOWN_VERSIONS = frozenset({_OLD, (3, 0), (3, 1)})
"""libfsntfs, 'The volume information attribute'; from memory: Windows knows no others."""

_STREAMS = {
    MFT: "",
    MIRROR: "",
    LOG_FILE: "",
    ATTRIBUTE_TABLE: "",
    BITMAP: "",
    BOOT: "",
    BAD_CLUSTERS: "$Bad",
    UPPER_CASE: "",
}
"""The stream that each system file must have."""


class SystemFiles:
    """The system files of one volume."""

    def __init__(self, volume: Examined, gathered: Gathered) -> None:
        """Take what was gathered."""
        self.volume, self.gathered = volume, gathered

    def hold(self) -> None:
        """Hold all of them but the table of upper case."""
        self._hold_records()
        for number, check in (
            (MFT, self._mft),
            (MIRROR, self._mirror),
            (VOLUME, self._volume),
            (BITMAP, self._bitmap),
            (BOOT, self._boot),
            (BAD_CLUSTERS, self._bad_clusters),
            (LOG_FILE, lambda: hold_log(self.volume, self._stream(LOG_FILE))),
            (
                ATTRIBUTE_TABLE,
                lambda: hold_attribute_table(self.volume, self._stream(ATTRIBUTE_TABLE)),
            ),
        ):
            if number in self.gathered.broken:
                continue
            try:
                check()
            except FaultyError as error:
                effect = self.volume.record_effect(number)
                self.volume.faulty(error, effect, SYSTEM_NAMES[number], number)

    def _fault(
        self,
        number: int,
        field: str,
        stored: object,
        expected: object,
        effect: Effect | None = None,
    ) -> None:
        system_fault(self.volume, number, field, stored, expected, effect)

    def upper_case(self) -> NDArray[np.uint16]:
        """Return the volume's table of upper case, held against the known ones."""
        information = self.gathered.kept.get((UPPER_CASE, DATA_TYPE, "$Info"))
        return upper_case_of(self.volume, self._stream(UPPER_CASE), information)

    def _hold_records(self) -> None:
        """Hold that the system's records are in use, and are those that they should be."""
        gathered = self.gathered
        # NOTE: records 12 to 15 are in use and hold nothing (libfsntfs, 'The metadata files').
        for number in range(min(FIRST_FREE, len(gathered.in_use))):
            self.volume.structure.compared()
            if number in gathered.broken or (self._version() == _OLD and number in _NOT_IN_OLD):
                continue
            if number >= len(SYSTEM_NAMES):
                # NOTE: ntfs-3g lets record 15 extend the MFT's own.
                if not gathered.in_use[number] and number not in gathered.extending:
                    place = say("record {number}", number=number)
                    self.volume.fault(
                        Effect.REPAIRED, RECORD, place, "flags", say("not in use"), say("in use")
                    )
            elif not gathered.in_use[number]:
                self._fault(number, say("record"), say("not in use"), say("in use"))
            elif SYSTEM_NAMES[number] not in gathered.system_names.get(number, ()):
                stored = ", ".join(gathered.system_names.get(number, ()))
                self._fault(number, "$FILE_NAME", stored, SYSTEM_NAMES[number], Effect.REPAIRED)
            elif not self._has_stream(number):
                self._fault(
                    number,
                    say("stream"),
                    say("none"),
                    say("the data of {name}", name=SYSTEM_NAMES[number]),
                )

    def _version(self) -> tuple[int, int] | None:
        """Return the volume's version; `None`: it tells none."""
        value = self.gathered.kept.get((VOLUME, _VOLUME_INFORMATION_TYPE, ""))
        if value is None or value.value is None:
            return None
        information = VOLUME_INFORMATION.parse(value.value)
        return information.number("major_version"), information.number("minor_version")

    def _has_stream(self, number: int) -> bool:
        return number not in _STREAMS or self._stream(number) is not None

    def _stream(self, number: int) -> Whole | None:
        return self.gathered.kept.get((number, DATA_TYPE, _STREAMS[number]))

    def _mft(self) -> None:
        """Hold that the MFT begins where the boot sector says (ntfs-3g, ntfs_mft_load)."""
        whole = self._stream(MFT)
        first = whole.runs[0][1] if whole is not None and whole.runs else None
        if first is None or first * self.volume.sizes.cluster_bytes != self.volume.sizes.mft_offset:
            self._fault(MFT, say("place"), first, say("the one in the boot sector"))

    def _mirror(self) -> None:
        """Hold the copies of the first records, as far as each is used."""
        volume, whole = self.volume, self._stream(MIRROR)
        size = volume.table.record_bytes
        if whole is None:
            return
        first = whole.runs[0][1] if whole.runs else None
        if first is None or first * volume.sizes.cluster_bytes != volume.sizes.mirror_offset:
            self._fault(MIRROR, say("place"), first, say("the one in the boot sector"))
        if whole.size < MIRRORED * size:
            self._fault(MIRROR, say("size"), whole.size, MIRRORED * size)
            return
        copies = volume.bytes_of(whole)
        # NOTE: a mirror is at least a cluster long, and ntfs-3g wants all of it to be alike.
        for number in range(min(whole.size // size, len(volume.table), FIRST_OF_USERS)):
            volume.structure.compared()
            try:
                record = volume.table.read(number * size, size)
                own = _content(record)
            except UNREADABLE:
                continue  # the record itself is told
            copy = copies[number * size : (number + 1) * size]
            try:
                same = _content(copy) == own
            except StructureError:
                same = False
            if not same:
                volume.fault(
                    Effect.REPAIRED,
                    "$MFTMirr",
                    say("record {number}", number=number),
                    say("copy"),
                    say("differs"),
                    say("as in $MFT"),
                    at=volume.sizes.mirror_offset + number * size,
                )

    def _volume(self) -> None:
        version = self._version()
        if version is None:
            self._fault(VOLUME, "$VOLUME_INFORMATION", say("none"), say("one"))
        elif version not in _KNOWN_VERSIONS:
            self._fault(
                VOLUME, say("version"), f"{version[0]}.{version[1]}", say("1.2, 3.0 or 3.1")
            )

    def _bitmap(self) -> None:
        whole = self._stream(BITMAP)
        needed = -(-self.volume.sizes.clusters // 8)
        if whole is not None and whole.size < needed:
            self._fault(BITMAP, say("size"), whole.size, say("{least} or more", least=needed))

    def _boot(self) -> None:
        """Hold that $Boot is what the volume begins with, and that its code goes on."""
        whole = self._stream(BOOT)
        if whole is not None:
            first = whole.runs[0][1] if whole.runs else None
            if first != 0 or whole.size < BOOT_BYTES:
                self._fault(
                    BOOT,
                    say("place"),
                    say("{size} bytes from {first}", size=whole.size, first=str(first)),
                    say("{size} from 0", size=BOOT_BYTES),
                )
        data = self.volume.read(0, BOOT_BYTES)
        if data[510:512] != b"\x55\xaa":
            self._fault(
                BOOT, say("signature"), data[510:512].hex(" ").upper(), "55 AA", Effect.REPAIRED
            )
        if any(name in data[:512] for name in (b"BOOTMGR", b"NTLDR")):
            # SPEC: the code behind the first sector begins with the loader's name, its length in
            # front (seen on volumes of Windows XP to 10).
            length = int.from_bytes(data[512:514], "little")
            name = data[514 : 514 + 2 * min(length, 16)]
            if name.decode("utf-16-le", "replace") not in {"BOOTMGR", "NTLDR"}:
                self._fault(
                    BOOT,
                    say("boot code"),
                    say("no loader's name"),
                    say("as the first sector needs it"),
                    Effect.REPAIRED,
                )

    def _bad_clusters(self) -> None:
        whole, clusters = self._stream(BAD_CLUSTERS), self.volume.sizes.clusters
        if whole is not None:
            count = sum(length for length, _ in whole.runs)
            if count != clusters:
                self._fault(BAD_CLUSTERS, say("clusters"), count, clusters, Effect.REPAIRED)


def _content(record: bytes) -> bytes:
    """Return what a record says, without what is behind it.

    Raises:
        StructureError: it is not whole.
    """
    head = FILE_RECORD.parse(record)
    whole = repaired(record, 0)
    at = head.number("fixup_offset")
    end = at + 2 * head.number("fixup_count")
    return whole[:at] + whole[end : head.number("used_bytes")]
