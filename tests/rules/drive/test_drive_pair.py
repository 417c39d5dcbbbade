"""drive-pair: an old drive and its clone, in that order, or the one finding that says otherwise."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from tests.rules.cases import (
    DISK,
    DRIVE_MIB,
    EFI,
    PER_MIB,
    case_of,
    changed,
    compared,
    drive,
    findings,
    gpt_copy,
    guid,
    mirrored,
    partition,
    quiet,
    refiled,
    told,
    usual,
)
from verify.boot.boot_record import BootRecord, RecoveryConfig, RecoveryLocation, SystemRegistry
from verify.boot.store_record import BootStore, Device, HiveState, Reference
from verify.manifest.header import Remains
from verify.platforms.identity import PartOf
from verify.rules.catalogue import RULES
from verify.rules.drive.drive_pair import RULE
from verify.rules.engine import judge
from verify.units import MIB

if TYPE_CHECKING:
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case

DAY = 86_400
OTHER_DISK = "0AC0FFEE-0000-4000-8000-0000000000FF"


def reasons(case: Case) -> str:
    """Return why it was not examined."""
    return "; ".join(item.reason or "" for item in RULE(case)[0] if item.outcome == "not_examined")


# --- good clones ------------------------------------------------------------------------------


def renewed(partitions: list[Partition]) -> list[Partition]:
    """Return them with partition GUIDs of their own."""
    return [item.model_copy(update={"guid": guid(100 + item.number)}) for item in partitions]


def copied(partitions: list[Partition]) -> list[Partition]:
    """Return them with filesystems of their own as well: made anew, and filled file by file."""
    made = renewed(partitions)
    for item in partitions:
        made = refiled(made, item.number, id=f"BBBB{item.number:04}")
    return made


GOOD: dict[str, Case] = {
    "the same": case_of(drive(usual()), drive(usual())),
    "larger": case_of(drive(usual()), drive(usual(), size_mib=2 * DRIVE_MIB)),
    "grown": case_of(drive(usual()), drive(usual(600))),
    "shrunk": case_of(drive(usual()), drive(usual(400))),
    "renewed": case_of(drive(usual()), drive(renewed(usual()), table={"disk_id": OTHER_DISK})),
    "copied file by file": replace(
        case_of(drive(usual()), drive(copied(usual()), table={"disk_id": OTHER_DISK})),
        common_names=(95, 100),
    ),
    "starts not rewritten": case_of(
        drive(refiled(usual(), 4, hidden_sectors=777 * PER_MIB)),
        drive(refiled(usual(400), 4, hidden_sectors=777 * PER_MIB)),
    ),
    "backup left in the middle": case_of(
        drive(usual()),
        drive(
            usual(),
            size_mib=2 * DRIVE_MIB,
            table={
                "primary": gpt_copy(1, DRIVE_MIB * PER_MIB),
                "backup": gpt_copy(DRIVE_MIB * PER_MIB - 1, DRIVE_MIB * PER_MIB),
            },
        ),
    ),
}


@pytest.mark.parametrize("kind", GOOD)
def test_pair_when_the_clone_is_a_good_one_then_it_is_quiet(kind: str) -> None:
    """Copied, renewed and resized identities; what a clone leaves points to its source."""
    assert quiet(RULE, GOOD[kind])


def test_pair_when_a_filesystem_counts_from_its_own_record_then_it_is_quiet() -> None:
    """A logical partition at 1 MiB behind its record, cloned to a partition 1 MiB into the drive.

    Its 2,048 sectors are true on both drives.
    """
    mbr = {"scheme": "mbr", "primary": None, "backup": None}
    at = [partition(5, 101, 50, type="07", guid=None, of={"hidden_sectors": PER_MIB})]
    old = drive(at, table=mbr)
    entry = replace(old.table.partitions[0], record_lba=100 * PER_MIB)
    old = old.model_copy(update={"table": replace(old.table, partitions=(entry,))})
    new = drive(
        [partition(1, 1, 50, type="07", guid=None, of={"hidden_sectors": PER_MIB})], table=mbr
    )
    assert quiet(RULE, case_of(old, new))


# --- one partition ----------------------------------------------------------------------------


def one_partition(**changes: Any) -> Header:
    """Return the header of a partition's image."""
    held = [partition(0, 0, 100, type="", guid=None, of={"hidden_sectors": 2048})]
    return drive(held, size_mib=100, table={"scheme": "none", "disk_id": None}, **changes)


def test_pair_when_both_are_one_partition_then_it_says_so_and_is_never_the_same() -> None:
    """Also by a manifest of an older version, which has nothing but the boot sector's number."""
    case = case_of(one_partition(), one_partition())
    assert told(RULE, case) == []
    assert "only one partition" in reasons(case)
    assert judge(case, RULES).verdict == "review"


def test_pair_when_a_device_is_a_partition_then_it_is_one_whatever_it_holds() -> None:
    """The system's word: a table inside (an extended partition's own) changes nothing."""
    part = PartOf(path="/dev/sda", by="partition", number=3)
    side = drive(usual(), part_of=part, kind="device")
    assert "only one partition" in reasons(case_of(side, side))


@pytest.mark.parametrize("swap", [False, True])
def test_pair_when_one_side_is_one_partition_then_it_stops_alone(*, swap: bool) -> None:
    """Whichever side."""
    case = case_of(drive(usual()), one_partition())
    case = mirrored(case) if swap else case
    assert told(RULE, case) == [("stop", None)]
    judged = judge(case, RULES)
    assert [item.rule for item in judged.findings] == ["drive-pair"]
    assert {item.outcome for item in judged.outcomes[1:]} == {"not_applicable"}


def test_pair_when_there_is_no_table_then_it_is_open_until_confirmed() -> None:
    """A stick with one filesystem over all of it."""
    held = [partition(0, 0, 100, type="", guid=None)]
    bare = {"scheme": "none", "disk_id": None}
    stick = drive(held, size_mib=100, table=bare)
    confirmed = drive(held, size_mib=100, table=bare, capture={"given_as": "drive"})
    assert "--whole-drive" in reasons(case_of(stick, stick))
    assert "new drive" in reasons(case_of(confirmed, stick))
    assert quiet(RULE, case_of(confirmed, confirmed))


# --- nothing in common ------------------------------------------------------------------------


def stranger() -> Header:
    """Return a drive with the usual layout and nothing of the other's."""
    return drive(copied(usual()), table={"disk_id": OTHER_DISK})


@pytest.mark.parametrize(("found", "total"), [(0, 5000), (400, 5000), (3, 20)])
def test_pair_when_nothing_is_in_common_then_it_stops_alone(found: int, total: int) -> None:
    """No identifier, and no more namesakes than any two drives have."""
    case = replace(case_of(drive(usual()), stranger()), common_names=(found, total))
    judged = judge(case, RULES)
    assert [(item.rule, item.level) for item in judged.findings] == [("drive-pair", "stop")]
    assert "nothing in common" in judged.findings[0].message
    assert f"{found:,} of {total:,} files" in judged.findings[0].message


@pytest.mark.parametrize(
    "shared",
    [
        drive(copied(usual()), table={"disk_id": DISK}),
        drive(refiled(copied(usual()), 3, id="AAAA0003"), table={"disk_id": OTHER_DISK}),
        drive(changed(copied(usual()), 2, guid=guid(2)), table={"disk_id": OTHER_DISK}),
    ],
)
def test_pair_when_one_identifier_is_in_common_then_it_is_quiet(shared: Header) -> None:
    """One is enough: of the disk, of a filesystem, of a partition."""
    assert quiet(RULE, case_of(drive(usual()), shared))


def test_pair_when_not_all_can_be_seen_then_it_is_for_a_person_and_the_rest_goes_on() -> None:
    """An encrypted volume may hold the very files that are plain on the other drive."""
    locked = copied(usual())
    locked = changed(locked, 3, listing=None, filesystem=partition(3, 0, 1, "bitlocker").filesystem)
    other = drive(locked, table={"disk_id": OTHER_DISK})
    case = replace(case_of(drive(usual()), other), common_names=(0, 50))
    assert told(RULE, case) == [("review", None)]
    assert len(judge(case, RULES).findings) > 1


def test_pair_when_blocks_are_the_same_then_it_is_quiet() -> None:
    """Encrypted bytes, copied into a partition with a GUID of its own."""
    held = [partition(1, 1, 100, "unknown", guid=guid(1))]
    far = [partition(1, 1, 100, "unknown", guid=guid(9))]
    case = case_of(
        drive(held),
        drive(far, table={"disk_id": OTHER_DISK}),
        [compared(1, raw=True, hashed=40, mismatches=2)],
    )
    assert quiet(RULE, replace(case, common_names=(0, 0)))


# --- blank, or the table gone -----------------------------------------------------------------

BARE = {"scheme": "none", "disk_id": None, "primary": None, "backup": None}


def bare(**changes: Any) -> Header:
    """Return a drive without a table, on which nothing is known."""
    held = [partition(0, 0, DRIVE_MIB, "unknown", type="", guid=None)]
    return drive(held, table=BARE).model_copy(update=changes)


@pytest.mark.parametrize("swap", [False, True])
@pytest.mark.parametrize("blank", [bare(), drive([])])
def test_pair_when_one_drive_is_blank_then_it_stops_alone(blank: Header, *, swap: bool) -> None:
    """No table at all, or one without partitions; on either side."""
    case = case_of(blank, drive(usual())) if swap else case_of(drive(usual()), blank)
    judged = judge(replace(case, common_names=(0, 9)), RULES)
    assert [(item.rule, item.level) for item in judged.findings] == [("drive-pair", "stop")]
    assert f"The {'old' if swap else 'new'} drive is blank" in judged.findings[0].message


@pytest.mark.parametrize("swap", [False, True])
def test_pair_when_a_table_is_gone_and_filesystems_are_left_then_it_says_how_many(
    *, swap: bool
) -> None:
    """One by its identifier, one by its place; a third is another's."""
    left = (
        Remains(start_bytes=77 * MIB, kind="ntfs", id="AAAA0003"),
        Remains(start_bytes=1 * MIB, kind="fat32", id=None),
        Remains(start_bytes=5 * MIB, kind="ext4", id="CCCC"),
    )
    gone = bare(remains=left)
    case = case_of(gone, drive(usual())) if swap else case_of(drive(usual()), gone)
    judged = judge(case, RULES)
    assert [(item.rule, item.level) for item in judged.findings] == [("drive-pair", "stop")]
    side = "old" if swap else "new"
    assert f"The partition table of the {side} drive is gone: 2 " in judged.findings[0].message


def test_pair_when_only_a_copy_of_the_table_is_left_then_it_says_so() -> None:
    """A backup at the end that has the old drive's identifier."""
    table = BARE | {"backup": gpt_copy(DRIVE_MIB * PER_MIB - 1, DRIVE_MIB * PER_MIB)}
    gone = drive([partition(0, 0, DRIVE_MIB, "unknown", type="", guid=None)], table=table)
    (found,) = findings(RULE, case_of(drive(usual()), gone))
    assert "only a copy of the old drive's table" in found.message


def test_pair_when_the_first_sector_cannot_be_read_then_no_drive_is_called_blank() -> None:
    """What was not read is not reported."""
    unread = drive(
        [partition(0, 0, DRIVE_MIB, "unknown", type="", guid=None)],
        table=BARE,
        capture={"unreadable": ({"start_lba": 0, "sectors": 1},)},
    )
    case = case_of(drive(usual()), unread)
    assert told(RULE, case) == []
    assert "first sector of the new drive" in reasons(case)


def test_pair_when_both_are_blank_then_it_is_open() -> None:
    """Nothing was compared that could be a clone."""
    assert "neither drive" in reasons(case_of(drive([]), drive([])))


# --- swapped ----------------------------------------------------------------------------------


def shrunk_clone() -> tuple[Header, Header]:
    """Return an old drive, and a smaller clone whose recovery keeps the start that it had."""
    at = 777 * PER_MIB
    old = drive(refiled(usual(500), 4, hidden_sectors=at))
    new = drive(refiled(usual(400), 4, hidden_sectors=at))
    return old, new


def larger_clone() -> tuple[Header, Header]:
    """Return an old drive, and a clone of twice the size with the table as it was."""
    end = DRIVE_MIB * PER_MIB
    as_it_was = {"primary": gpt_copy(1, end), "backup": gpt_copy(end - 1, end)}
    return drive(usual()), drive(usual(), size_mib=2 * DRIVE_MIB, table=as_it_was)


def store_naming(disk: str) -> BootRecord:
    """Return start-up files whose boot store names a drive."""
    device = Device(kind="partition", scheme="gpt", disk_id=disk, partition_id=guid(3))
    reference = Reference(
        object="O",
        object_type=None,
        description=None,
        element="11000001",
        purpose="application",
        device=device,
        reached_by=("default",),
    )
    return BootRecord(stores=(BootStore(path="/bcd", state=None, references=(reference,)),))


def renewed_clone() -> tuple[Header, Header]:
    """Return an old drive, and a clone with a new identifier whose boot store names the old one."""
    held = changed(usual(), 1, boot=store_naming(DISK))
    return drive(held), drive(held, table={"disk_id": OTHER_DISK})


def moved_recovery() -> tuple[Header, Header]:
    """Return an old drive, and a smaller clone whose recovery configuration was not rewritten."""
    location = RecoveryLocation(
        element="WinreLocation", path="/r", offset=777 * MIB, id=0, guid=DISK
    )
    named = BootRecord(recovery=(RecoveryConfig(path="/r.xml", locations=(location,)),))
    return drive(changed(usual(500), 3, boot=named)), drive(changed(usual(400), 3, boot=named))


SWAPPED = {
    "boot sectors": shrunk_clone,
    "the partition table": larger_clone,
    "start-up files": renewed_clone,
    "start-up files of recovery": moved_recovery,
}


@pytest.mark.parametrize("what", SWAPPED)
def test_pair_when_the_sides_are_swapped_then_what_was_left_says_so(what: str) -> None:
    """The right way round there is no word of it; one structure alone is for a person to decide."""
    old, new = SWAPPED[what]()
    assert quiet(RULE, case_of(old, new))
    (found,) = findings(RULE, case_of(new, old))
    assert found.level == "review"
    assert what.removesuffix(" of recovery") in found.message


def test_pair_when_two_structures_agree_then_it_is_certain_and_stands_first() -> None:
    """A larger clone with a stale table whose recovery was moved as well."""
    at, end = 777 * PER_MIB, DRIVE_MIB * PER_MIB
    old = drive(refiled(usual(500), 4, hidden_sectors=at))
    as_it_was = {"primary": gpt_copy(1, end), "backup": gpt_copy(end - 1, end)}
    held = refiled(usual(1400), 4, hidden_sectors=at)
    new = drive(held, size_mib=2 * DRIVE_MIB, table=as_it_was)
    assert quiet(RULE, case_of(old, new))
    judged = judge(case_of(new, old), RULES)
    assert (judged.findings[0].rule, judged.findings[0].level) == ("drive-pair", "stop")
    assert len(judged.findings) > 1


def test_pair_when_traces_point_both_ways_then_it_is_quiet() -> None:
    """A start made for the new drive, a table made for the old one."""
    at, end = 777 * PER_MIB, DRIVE_MIB * PER_MIB
    as_it_was = {"primary": gpt_copy(1, end), "backup": gpt_copy(end - 1, end)}
    old = drive(refiled(usual(400), 4, hidden_sectors=at))
    new = drive(refiled(usual(500), 4, hidden_sectors=at), size_mib=2 * DRIVE_MIB, table=as_it_was)
    assert quiet(RULE, case_of(old, new))


def used_until(moment: int) -> Header:
    """Return a drive whose registry was last written then."""
    state = HiveState(
        size_bytes=1,
        version="1.5",
        primary_sequence=moment,
        secondary_sequence=moment,
        stored_checksum=1,
        computed_checksum=1,
        hive_bins_bytes=1,
        last_written=moment,
    )
    record = BootRecord(registry=SystemRegistry(path="/system", state=state))
    return drive(changed(usual(), 3, boot=record))


@pytest.mark.parametrize(
    ("old", "new", "levels"),
    [
        (100 * DAY, 100 * DAY, []),
        (100 * DAY + 7200, 100 * DAY, []),
        (103 * DAY, 100 * DAY, [("review", None)]),
        (100 * DAY, 103 * DAY, []),
    ],
)
def test_pair_when_the_old_drive_was_used_for_days_longer_then_a_person_decides(
    old: int, new: int, levels: list[tuple[str, None]]
) -> None:
    """A clone of a running system lags by minutes or hours; a new drive that was used is ahead."""
    assert told(RULE, case_of(used_until(old), used_until(new))) == levels


def test_strangers_when_only_an_efi_partition_is_there_then_its_loaders_are_no_tie() -> None:
    """Ten namesakes of hundreds are what every machine's loaders are."""
    one = drive([partition(1, 1, 100, "fat32", type=EFI, of={"id": "A"})])
    far = [partition(1, 1, 100, "fat32", type=EFI, guid=guid(7), of={"id": "B"})]
    other = drive(far, table={"disk_id": OTHER_DISK})
    case = replace(case_of(one, other), common_names=(9, 30))
    assert told(RULE, case) == [("stop", None)]


def test_pair_when_other_findings_are_graver_then_it_still_stands_first() -> None:
    """Whoever may hold the wrong drive reads that before anything else."""
    old, new = shrunk_clone()
    lacking = drive([item for item in old.partitions if item.number != 1])
    judged = judge(case_of(new, lacking), RULES)
    assert (judged.findings[0].rule, judged.findings[0].level) == ("drive-pair", "review")
    assert "stop" in {item.level for item in judged.findings[1:]}
