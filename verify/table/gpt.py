"""Read both copies of a GUID partition table: headers, entry arrays, and their four CRCs."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from verify.structs import gpt as disk
from verify.table.partition_table import Checked, GptHeader, PartitionEntry
from verify.table.type_names import GPT_TYPE_NAMES
from verify.text.message import counted, say

if TYPE_CHECKING:
    from verify.structs.base import Record
    from verify.table.sectors import Sectors

MOST_ARRAY_BYTES = 4 << 20
"""A larger entry array is not read: 32,768 entries of 128 bytes; in practice there are 128."""

PRIMARY_LBA = 1


@dataclass(frozen=True, slots=True)
class GptCopy:
    """A header and its entry array; `array` is `None` where it was not or could not be read."""

    header: GptHeader
    array: bytes | None

    @property
    def header_good(self) -> bool:
        """Whether the header passes its tests."""
        return self.header.problem is None

    @property
    def good(self) -> bool:
        """Whether the header and its array pass their tests."""
        return self.header_good and self.header.entries_problem is None


@dataclass(frozen=True, slots=True)
class Gpt:
    """Both copies in sectors of `sector_bytes`; a copy is `None` where it could not be read."""

    sector_bytes: int
    last_lba: int
    primary: GptCopy | None
    backup: GptCopy | None
    used: Literal["primary", "backup"] | None
    ambiguous: tuple[str, ...]
    problems: tuple[str, ...]
    unreadable: tuple[str, ...]

    @property
    def copies(self) -> list[GptCopy]:
        """The copies that could be read."""
        return [copy for copy in (self.primary, self.backup) if copy]

    @property
    def signed(self) -> bool:
        """Whether either header has its signature."""
        return any(copy.header.signature_ok for copy in self.copies)

    @property
    def evident(self) -> bool:
        """Whether either header passes its tests: the table was written in these sectors."""
        return any(copy.header_good for copy in self.copies)

    @property
    def soundness(self) -> int:
        """How many of the two headers and two arrays pass their tests."""
        return sum(copy.header_good + copy.good for copy in self.copies)

    @property
    def chosen(self) -> GptCopy | None:
        """The copy that the partitions are read from."""
        return self.primary if self.used == "primary" else self.backup if self.used else None

    @property
    def arrays_equal(self) -> bool | None:
        """Whether both copies list the same entries, byte for byte; `None` if one was not read."""
        arrays = [copy.array for copy in self.copies if copy.array is not None]
        return arrays[0] == arrays[1] if len(arrays) == 2 else None  # noqa: PLR2004


def read_gpt(sectors: Sectors, protective_end_lba: int | None) -> Gpt:
    """Read whatever stands where the two copies of a GPT belong.

    The backup is looked for at the last LBA; where the primary says it is; and at the last LBA
    that the protective record covers (`protective_end_lba`, inclusive): on a drive larger than
    the one it was copied from, both name the old end.

    Raises:
        SourceVanished: the drive is gone.
    """
    primary = read_copy(sectors, PRIMARY_LBA, "primary")
    places = [int(sectors.last_lba)]
    if primary and primary.header_good:
        places.append(primary.header.alternate_lba)
    if protective_end_lba is not None:
        places.append(protective_end_lba)
    backup, ambiguous = _backup(sectors, places, primary)
    if primary and backup and primary.good and backup.good:
        ambiguous += _contradictions(primary, backup)
    return Gpt(
        sector_bytes=sectors.sector_bytes,
        last_lba=sectors.last_lba,
        primary=primary,
        backup=backup,
        used=_used(primary, backup),
        ambiguous=tuple(ambiguous),
        problems=tuple(sectors.problems),
        unreadable=tuple(sectors.unreadable),
    )


_HEADERS = {"primary": say("The primary GPT header"), "backup": say("The backup GPT header")}
_ARRAYS = {
    "primary": say("The primary GPT entry array"),
    "backup": say("The backup GPT entry array"),
}


def read_copy(sectors: Sectors, at_lba: int, which: Literal["primary", "backup"]) -> GptCopy | None:
    """Read the header at `at_lba` and, if its own CRC holds, its entry array.

    Raises:
        SourceVanished: the drive is gone.
    """
    sector = sectors.read(at_lba, sectors.sector_bytes, _HEADERS[which])
    if sector is None:
        return None
    header = parse_header(sector, at_lba)
    if not header.header_crc32.good:
        return GptCopy(header, None)
    array, problem = _array(sectors, header, which)
    if array is not None:
        checked = Checked(stored=header.entries_crc32.stored, computed=zlib.crc32(array))
        header = replace(header, entries_crc32=checked)
        if not checked.good:
            problem = say(
                "The entry array's CRC is {computed}; the header stores {stored}.",
                computed=format(checked.computed, "08X"),
                stored=format(checked.stored, "08X"),
            )
    remarks = header.remarks + _place_remarks(header, sectors.sector_bytes, which)
    return GptCopy(replace(header, entries_problem=problem, remarks=remarks), array)


def parse_header(sector: bytes, at_lba: int) -> GptHeader:
    """Read one sector, found at `at_lba`, as a GPT header and test it."""
    stored = disk.HEADER.parse(sector)
    size = stored.number("HeaderSize")
    computed = None
    if disk.HEADER.size <= size <= len(sector):
        covered = bytearray(sector[:size])
        covered[disk.HEADER_CRC_FIELD] = bytes(4)
        computed = zlib.crc32(covered)
    header = GptHeader(
        at_lba=at_lba,
        signature_ok=stored.raw("Signature") == disk.SIGNATURE,
        revision=stored.number("Revision"),
        header_size=size,
        header_crc32=Checked(stored=stored.number("HeaderCRC32"), computed=computed),
        my_lba=Checked(stored=stored.number("MyLBA"), computed=at_lba),
        alternate_lba=stored.number("AlternateLBA"),
        first_usable_lba=stored.number("FirstUsableLBA"),
        last_usable_lba=stored.number("LastUsableLBA"),
        disk_guid=disk.guid_text(stored.raw("DiskGUID")),
        entries_lba=stored.number("PartitionEntryLBA"),
        entries_count=stored.number("NumberOfPartitionEntries"),
        entry_bytes=stored.number("SizeOfPartitionEntry"),
        entries_crc32=Checked(stored=stored.number("PartitionEntryArrayCRC32"), computed=None),
    )
    problem = _header_problem(header, len(sector))
    return replace(
        header,
        problem=problem,
        entries_problem=say("The header is not valid, so its entry array was not read."),
        remarks=() if problem else _reserved_remarks(stored, sector[size:]),
    )


def read_partitions(copy: GptCopy, sector_bytes: int) -> tuple[tuple[PartitionEntry, ...], str]:
    """List the entries in use, and say in one sentence which of them end before they begin.

    Entries past the end of the drive are listed as well: they are what the table says.
    """
    header, array = copy.header, copy.array or b""
    partitions = []
    backward = []
    for slot in range(len(array) // header.entry_bytes):
        at = slot * header.entry_bytes
        raw = array[at : at + disk.PARTITION_ENTRY.size]
        if raw[:16] == disk.UNUSED_TYPE:
            continue
        entry = _entry(disk.PARTITION_ENTRY.parse(raw, at), slot + 1)
        partitions.append(replace(entry, record_lba=header.entries_lba + at // sector_bytes))
        if not entry.sectors:
            backward.append(entry.number)
    return tuple(partitions), _backward_sentence(backward)


def _entry(stored: Record, number: int) -> PartitionEntry:
    start, ending = stored.number("StartingLBA"), stored.number("EndingLBA")
    type_guid = disk.guid_text(stored.raw("PartitionTypeGUID"))
    name = stored.raw("PartitionName").decode("utf-16-le", "surrogatepass")
    return PartitionEntry(
        number=number,
        start_lba=start,
        # SPEC: UEFI 2.10, section 5.3.3: EndingLBA is inclusive.
        sectors=max(0, ending + 1 - start),
        type=type_guid,
        type_name=GPT_TYPE_NAMES.get(type_guid, ""),
        guid=disk.guid_text(stored.raw("UniquePartitionGUID")),
        name=name.partition("\0")[0],
        attributes=stored.number("Attributes"),
    )


def _backward_sentence(numbers: list[int]) -> str:
    if not numbers:
        return ""
    named = ", ".join(map(str, numbers[:8])) + (" …" if numbers[8:] else "")
    return counted(
        "{count} partition ends before it begins: {named}.",
        "{count} partitions end before they begin: {named}.",
        len(numbers),
        named=named,
    )


def _header_problem(header: GptHeader, sector_bytes: int) -> str | None:
    """Apply the tests of UEFI 2.10, section 5.3.2, in the order a reader needs them."""
    crc = header.header_crc32
    if not header.signature_ok:
        return say("There is no GPT header here: the signature 'EFI PART' is missing.")
    if crc.computed is None:
        return say(
            "The header's size is {header_size}; it should be {size} to {sector_bytes}.",
            header_size=header.header_size,
            size=disk.HEADER.size,
            sector_bytes=sector_bytes,
        )
    if not crc.good:
        return say(
            "The header's CRC is {computed}; it stores {stored}.",
            computed=format(crc.computed, "08X"),
            stored=format(crc.stored, "08X"),
        )
    if header.revision != disk.REVISION:
        return say(
            "The header's revision is {revision}, not {wanted}.",
            revision=format(header.revision, "08X"),
            wanted=format(disk.REVISION, "08X"),
        )
    if not header.my_lba.good:
        return say(
            "The header says it stands at LBA {stored}, not {at_lba}.",
            stored=header.my_lba.stored,
            at_lba=header.at_lba,
        )
    return None


def _array(sectors: Sectors, header: GptHeader, which: str) -> tuple[bytes | None, str | None]:
    """Read a header's entry array, or say why not."""
    size = header.entries_count * header.entry_bytes
    # SPEC: UEFI 2.10, section 5.3.2: 128 x 2^n; earlier editions: any multiple of 8.
    if header.entry_bytes < disk.PARTITION_ENTRY.size or header.entry_bytes % 8:
        return None, say(
            "Entries of {entry_bytes} bytes: should be 128, 256, 512 …",
            entry_bytes=header.entry_bytes,
        )
    if size > MOST_ARRAY_BYTES:
        return None, say(
            "The entry array of {size} bytes is larger than {most}.",
            size=size,
            most=MOST_ARRAY_BYTES,
        )
    if not size:
        return None, say("The entry array has no entries.")
    before = len(sectors.problems)
    array = sectors.read(header.entries_lba, size, _ARRAYS[which])
    if array is None:
        return None, sectors.problems[before]
    return array, None


def _reserved_remarks(stored: Record, rest: bytes) -> tuple[str, ...]:
    # SPEC: UEFI 2.10, section 5.3.2: Reserved and the rest of the block must be zero.
    if stored.number("Reserved") or any(rest):
        return (say("Reserved bytes of the header's sector are not zero."),)
    return ()


def _place_remarks(header: GptHeader, sector_bytes: int, which: str) -> tuple[str, ...]:
    # SPEC: UEFI 2.10, section 5.3.1: 16,384 bytes at least are reserved for each array; the
    # primary one lies before the usable LBAs, the backup one behind them, before its header.
    start, array_bytes = header.entries_lba, header.entries_count * header.entry_bytes
    sectors = -(-array_bytes // sector_bytes)
    if which == "primary":
        room, fits = header.first_usable_lba - start, start > header.at_lba
    else:
        room, fits = header.at_lba - start, start > header.last_usable_lba
    remarks = []
    if not fits or room < sectors:
        remarks.append(
            say("The entry array at LBA {start} does not lie where it belongs.", start=start)
        )
    elif room * sector_bytes < disk.MINIMUM_ARRAY_BYTES:
        remarks.append(
            say(
                "{room} bytes are reserved for the entry array; the minimum is {minimum}.",
                room=room * sector_bytes,
                minimum=disk.MINIMUM_ARRAY_BYTES,
            )
        )
    if header.last_usable_lba + 1 < header.first_usable_lba:
        remarks.append(say("The last usable LBA lies before the first."))
    return tuple(remarks)


def _backup(
    sectors: Sectors, places: list[int], primary: GptCopy | None
) -> tuple[GptCopy | None, list[str]]:
    """Choose the backup among those found: the primary's own, a good one, a signed one, any."""
    found = [
        copy
        for lba in dict.fromkeys(places)
        if lba > PRIMARY_LBA and (copy := read_copy(sectors, lba, "backup"))
    ]
    good = [copy for copy in found if copy.header_good]
    own = [copy for copy in good if primary and _same_table(copy, primary)]
    signed = [copy for copy in found if copy.header.signature_ok]
    best = next(iter(own or good or signed or found), None)
    ambiguous: list[str] = [
        say(
            "Backup headers of two different GPTs stand at LBA {at_lba} and {other}.",
            at_lba=best.header.at_lba,
            other=other.header.at_lba,
        )
        for other in good
        if best and not _same_table(best, other)
    ]
    return best, ambiguous


def _same_table(one: GptCopy, other: GptCopy) -> bool:
    return (
        one.header.disk_guid == other.header.disk_guid
        and one.header.entries_crc32.stored == other.header.entries_crc32.stored
    )


def _contradictions(primary: GptCopy, backup: GptCopy) -> list[str]:
    one, other = primary.header, backup.header
    sentences: list[str] = []
    if one.disk_guid != other.disk_guid:
        sentences.append(
            say(
                "Both GPT copies are intact but name different disk GUIDs: {guid} and {other}.",
                guid=one.disk_guid,
                other=other.disk_guid,
            )
        )
    if primary.array != backup.array:
        sentences.append(say("Both GPT copies are intact but list different partitions."))
    return sentences


def _used(primary: GptCopy | None, backup: GptCopy | None) -> Literal["primary", "backup"] | None:
    """Choose the copy to follow: a wholly good one, else one whose array can at least be read."""
    # SPEC: UEFI 2.10, section 5.3.2: the backup is used where the primary fails a test.
    if primary and primary.good:
        return "primary"
    if backup and backup.good:
        return "backup"
    # NOTE: with both arrays damaged firmware sees no partitions; they are still reported here.
    if primary and primary.header_good and primary.array:
        return "primary"
    if backup and backup.header_good and backup.array:
        return "backup"
    return None
