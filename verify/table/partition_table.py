"""What a partition table says, as plain data: stored values beside computed ones.

Sectors and LBAs are the drive's logical sectors (`Table.sector_bytes` each). GUIDs and hex are
upper case. Ranges are half-open: start and count.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from verify.text.field import Text


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """A stored number and what it should have been; `None` where that could not be computed."""

    stored: int
    computed: int | None

    @property
    def good(self) -> bool:
        """Whether both are known and equal."""
        return self.stored == self.computed


@dataclass(frozen=True, slots=True, kw_only=True)
class PartitionEntry:
    """One partition as its table names it, whatever lies in it.

    `number`: GPT slot + 1; MBR record 1..4, logical partitions from 5; 0 for a drive without a
    table. `type`: GUID, or two hex digits. `attributes`: the 64 GPT bits, else 0. `active`: MBR
    boot indicator 0x80, else False (GPT: False). `container`: an extended partition, which holds
    the logical ones. `record_lba`: the sector its record was read from.
    """

    number: int
    start_lba: int
    sectors: int
    type: str
    type_name: str
    guid: str | None = None
    name: str | None = None
    attributes: int = 0
    active: bool = False
    container: bool = False
    record_lba: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class GptHeader:
    """One GPT header as stored at `at_lba`, with what each checked field should have been.

    `problem` is `None` for a header that passes the tests of UEFI 2.10 §5.3.2; else one sentence
    that says which test it fails first. `entries_problem` likewise for its entry array.
    `remarks`: one sentence for each other departure from the standard; they invalidate nothing.
    """

    at_lba: int
    signature_ok: bool
    revision: int
    header_size: int
    header_crc32: Checked
    my_lba: Checked
    alternate_lba: int
    first_usable_lba: int
    last_usable_lba: int
    disk_guid: str
    entries_lba: int
    entries_count: int
    entry_bytes: int
    entries_crc32: Checked
    problem: Text | None = None
    entries_problem: Text | None = None
    remarks: tuple[Text, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MbrRecord:
    """One 16-byte record of a master or extended boot record, as stored."""

    slot: int
    boot_indicator: int
    type: int
    starting_lba: int
    size_in_lba: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Mbr:
    """Sector 0 as a master boot record.

    `boot_code_zero`: bytes 0..440 are all zero. `kind`: `classic`, `protective` (one 0xEE record),
    `hybrid` (0xEE beside others), `empty` (signature, no records) or `none` (no 0x55AA, or no
    valid records). `boot_sector_of`: the kind of filesystem whose
    valid boot sector this sector is as well, else `None`.
    """

    signature_ok: bool
    disk_signature: str
    records: tuple[MbrRecord, ...]
    kind: Literal["classic", "protective", "hybrid", "empty", "none"]
    boot_code_zero: bool
    boot_sector_of: str | None = None
    problem: Text | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Everything a drive's partition tables say.

    `scheme` is what decides the partitions: a GPT needs a 0xEE record in the MBR (UEFI 2.10
    §5.2.3). `sector_bytes` is the sector size the table is written in. `written_for` is that size
    where it contradicts what the drive itself claims, else `None`. `used` says which GPT copy the
    partitions were read from. `stale_gpt`: GPT headers on a drive whose MBR says otherwise.
    `backup_expected_lba`: the last LBA, where the backup header belongs; it was found at
    `backup.at_lba`. `ambiguous`: one sentence for each pair of answers that contradict each
    other. `problems`: one sentence for each structure that could not be followed (a looping chain
    of logical partitions, an unreadable sector, a GPT without its protective record).
    """

    scheme: Literal["gpt", "mbr", "none"]
    disk_id: str | None
    sector_bytes: int
    written_for: int | None = None
    mbr: Mbr | None = None
    primary: GptHeader | None = None
    backup: GptHeader | None = None
    backup_expected_lba: int | None = None
    used: Literal["primary", "backup"] | None = None
    arrays_equal: bool | None = None
    stale_gpt: bool = False
    partitions: tuple[PartitionEntry, ...] = ()
    ambiguous: tuple[Text, ...] = ()
    problems: tuple[Text, ...] = field(default=())
