"""The state of each filesystem, its boot sector and the copy of it, and encryption."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from tests.rules.cases import (
    answers,
    case_of,
    changed,
    compared,
    drive,
    findings,
    partition,
    quiet,
    refiled,
    told,
    told_both_ways,
    usual,
)
from verify.boot.boot_record import BootRecord, SystemRegistry
from verify.filesystem.description import Backup
from verify.rules.filesystem import (
    boot_sector_backup,
    filesystem_dirty,
    filesystem_hibernated,
    filesystem_locked,
    filesystem_log,
    hidden_sectors,
)
from verify.table.partition_table import PartitionEntry

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.matching.pair_contents import PairContents

DIRTY, HIBERNATED = filesystem_dirty.RULE, filesystem_hibernated.RULE
BACKUP, HIDDEN, LOCKED = boot_sector_backup.RULE, hidden_sectors.RULE, filesystem_locked.RULE
START_LBA = 277 * 2048


def dirty(partitions: list[Partition] | None = None) -> list[Partition]:
    """Return the usual partitions, the system's volume dirty."""
    return refiled(partitions or usual(), 3, clean=False, state=("dirty",))


def hibernated(partitions: list[Partition] | None = None) -> list[Partition]:
    """Return the usual partitions, a hibernation image on the system's volume."""
    return changed(partitions or usual(), 3, hibernation="hibernated")


def kept(state: str) -> list[Partition]:
    """Return the usual partitions, the boot sector's copy in a state."""
    backup = Backup(place="the volume's last sector", offset=512, state=state)  # type: ignore[arg-type]
    return refiled(usual(), 3, backup=backup)


def hidden(
    number: int, partitions: list[Partition] | None = None, kind: str = "ntfs"
) -> list[Partition]:
    """Return the usual partitions, a number of sectors in front in the system's boot sector."""
    return refiled(partitions or usual(), 3, hidden_sectors=number, kind=kind)


def test_dirty_when_all_are_clean_then_it_is_quiet() -> None:
    """The quiet twin."""
    assert quiet(DIRTY, case_of(drive(usual()), drive(usual())))


def test_dirty_when_only_the_new_volume_is_then_it_is_review() -> None:
    """The mirror is the old drive's own: a note."""
    case = case_of(drive(usual()), drive(dirty()))
    assert told_both_ways(DIRTY, case) == ([("review", 3)], [("note", 3)])
    assert "was not shut down cleanly (marked dirty)" in findings(DIRTY, case)[0].message


def test_dirty_when_it_was_just_resized_then_it_is_a_note() -> None:
    """docs/rules/filesystem-dirty.md: `review` on any volume but one just resized."""
    assert told(DIRTY, case_of(drive(usual()), drive(dirty(usual(300))))) == [("note", 3)]


def test_dirty_when_both_are_then_it_is_a_note_that_says_so() -> None:
    """docs/rules/filesystem-dirty.md: a fault that the source already had."""
    case = case_of(drive(dirty()), drive(dirty()))
    assert told(DIRTY, case) == [("note", 3)]
    assert "as on the old drive" in findings(DIRTY, case)[0].message


def test_dirty_when_the_state_is_not_known_then_it_is_not_examined() -> None:
    """Never taken for clean."""
    assert answers(DIRTY, case_of(drive(usual()), drive(refiled(usual(), 3, clean=None)))) == [
        "not_examined"
    ]


@pytest.mark.parametrize(
    ("logs", "level"),
    [
        (("clean", "pending"), "review"),
        (("pending", "pending"), "note"),
        (("pending", "clean"), "note"),
        (("clean", "empty"), None),
        (("clean", "clean"), None),
    ],
)
def test_log_when_changes_wait_in_it_then_the_listing_may_be_stale(
    logs: tuple[str, str], level: str | None
) -> None:
    """What waits on the new drive alone is for a person to decide; an emptied log is quiet."""
    old, new = (drive([partition(1, 1, 100, of={"log": log})]) for log in logs)
    case = case_of(old, new)
    assert [item.level.value for item in findings(filesystem_log.RULE, case)] == (
        [level] if level else []
    )


def test_log_when_it_cannot_be_read_then_it_was_not_examined() -> None:
    """NTFS always has one."""
    old, new = drive([partition(1, 1, 100, of={"log": "clean"})]), drive([partition(1, 1, 100)])
    assert answers(filesystem_log.RULE, case_of(old, new)) == ["not_examined"]


def test_log_when_the_filesystem_has_none_then_it_does_not_apply() -> None:
    """FAT has no log, an ext4 may have none."""
    for kind in ("fat32", "ext4"):
        side = drive([partition(1, 1, 100, kind)])
        assert answers(filesystem_log.RULE, case_of(side, side)) == ["not_applicable"]


def test_hibernated_when_no_system_is_then_it_is_quiet() -> None:
    """The quiet twin; a resize alone gives no finding."""
    assert quiet(HIBERNATED, case_of(drive(usual()), drive(usual(300))))


def test_hibernated_when_its_volume_was_resized_then_it_is_stop() -> None:
    """docs/rules/filesystem-hibernated.md: a hibernated system on a volume that was resized."""
    case = case_of(drive(hibernated()), drive(hibernated(usual(300))))
    assert told_both_ways(HIBERNATED, case) == ([("stop", 3)], [("stop", 3)])


def test_hibernated_when_both_are_and_nothing_was_resized_then_it_is_a_note() -> None:
    """The system resumes from where the old one was left."""
    case = case_of(drive(hibernated()), drive(hibernated()))
    assert told(HIBERNATED, case) == [("note", 3)]


def test_hibernated_when_only_one_drive_is_then_it_is_review() -> None:
    """What was open is in the image alone."""
    case = case_of(drive(hibernated()), drive(usual()))
    assert told_both_ways(HIBERNATED, case) == ([("review", 3)], [("review", 3)])
    assert (
        "work that was open in it is not on the new drive" in findings(HIBERNATED, case)[0].message
    )


@pytest.mark.parametrize(("size_mib", "level"), [(300, "stop"), (100, "note")])
def test_hibernated_when_a_swap_partition_holds_it_then_any_resized_volume_is_stop(
    size_mib: int, level: str
) -> None:
    """A suspended Linux keeps every mounted filesystem in memory."""
    swap = partition(2, 600, 50, "swap", of={"state": ("hibernated",)})
    old = [partition(1, 1, 100, "ext4"), swap]
    new = [partition(1, 1, size_mib, "ext4"), swap]
    assert told(HIBERNATED, case_of(drive(old), drive(new))) == [(level, 2)]


@pytest.mark.parametrize(
    ("fast_start", "words"), [(True, "startup is on"), (False, "startup is off"), (None, "")]
)
def test_hibernated_when_the_registry_tells_of_fast_start_then_it_is_said_and_no_level_changes(
    *, fast_start: bool | None, words: str
) -> None:
    """The registry beside the image counts, on whichever drive that is."""
    registry = SystemRegistry(path="/SYSTEM", state=None, fast_start=fast_start)
    image = drive(changed(hibernated(), 3, boot=BootRecord(registry=registry)))
    none, grown = drive(usual()), drive(usual(300))
    for old, new, level in (
        (image, none, "review"),
        (none, image, "review"),
        (image, image, "note"),
        (grown, image, "stop"),
    ):
        (finding,) = findings(HIBERNATED, case_of(old, new))
        assert finding.level == level
        assert ("Fast start" in finding.message) == bool(words)
        assert words in finding.message


def test_hibernated_when_files_were_not_listed_then_it_is_not_examined() -> None:
    """Nobody looked for the image."""
    new = changed(usual(), 3, listing=None)
    assert answers(HIBERNATED, case_of(drive(usual()), drive(new))) == ["not_examined"]


@pytest.mark.parametrize("state", ["same", "moved_only"])
def test_backup_when_it_is_the_same_or_only_moved_then_it_is_quiet(state: str) -> None:
    """docs/rules/boot-sector-backup.md: one that differs in hidden sectors alone is no finding."""
    assert quiet(BACKUP, case_of(drive(kept("same")), drive(kept(state))))


@pytest.mark.parametrize(
    ("state", "words"), [("differs", "differs from the boot sector"), ("missing", "is missing")]
)
def test_backup_when_it_lacks_or_differs_then_it_is_review(state: str, words: str) -> None:
    """The old drive's own, or on both, is a note."""
    case = case_of(drive(kept("same")), drive(kept(state)))
    assert told_both_ways(BACKUP, case) == ([("review", 3)], [("note", 3)])
    assert words in findings(BACKUP, case)[0].message
    assert told(BACKUP, case_of(drive(kept(state)), drive(kept(state)))) == [("note", 3)]


def test_backup_when_it_could_not_be_read_then_it_is_not_examined() -> None:
    """Neither good nor bad."""
    assert answers(BACKUP, case_of(drive(kept("same")), drive(kept("unread")))) == ["not_examined"]


def test_backup_when_no_filesystem_keeps_one_then_it_does_not_apply() -> None:
    """FAT12 and FAT16 have none."""
    assert answers(BACKUP, case_of(drive(usual()), drive(usual()))) == ["not_applicable"]


def active(partitions: list[Partition]) -> list[Partition]:
    """Return the same partitions, the system's active and without GUIDs."""
    plain = [item.model_copy(update={"guid": None, "type": "07"}) for item in partitions]
    return changed(plain, 3, active=True)


def test_hidden_when_it_names_the_start_then_it_is_quiet() -> None:
    """The quiet twin: 277 MiB are 567,296 sectors of 512 bytes (arithmetic)."""
    assert START_LBA == 567_296
    right = drive(hidden(START_LBA))
    assert quiet(HIDDEN, case_of(right, right))


def test_hidden_when_the_active_mbr_partition_names_another_then_it_is_stop() -> None:
    """BIOS boot code reads by it; on both drives, or on the old one alone, it is a note."""
    right = drive(active(hidden(START_LBA)), table={"scheme": "mbr"})
    wrong = drive(active(hidden(63)), table={"scheme": "mbr"})
    assert told_both_ways(HIDDEN, case_of(right, wrong)) == ([("stop", 3)], [("note", 3)])
    assert told(HIDDEN, case_of(wrong, wrong)) == [("note", 3)]
    message = findings(HIDDEN, case_of(right, wrong))[0].message
    assert "records start sector 63; it starts at 567296" in message


def test_hidden_when_a_gpt_partition_names_another_then_it_is_a_note() -> None:
    """Nothing reads it there; a number that was never right says nothing of the clone."""
    right, wrong = drive(hidden(START_LBA)), drive(hidden(0))
    assert told(HIDDEN, case_of(right, wrong)) == [("note", 3)]
    assert quiet(HIDDEN, case_of(wrong, wrong))
    assert quiet(HIDDEN, case_of(wrong, right))


def test_hidden_when_a_logical_partition_counts_from_its_record_then_it_is_quiet() -> None:
    """The record stands 2,048 sectors before; from the drive's start is right as well."""
    entries = (
        PartitionEntry(
            number=3,
            start_lba=START_LBA,
            sectors=1,
            type="07",
            type_name="",
            record_lba=START_LBA - 2048,
        ),
    )
    others = replace(entries[0], number=4, record_lba=START_LBA - 63)
    mbr = {"scheme": "mbr", "partitions": (*entries, others)}
    right = drive(active(hidden(START_LBA)), table=mbr)
    assert quiet(HIDDEN, case_of(right, drive(active(hidden(2048)), table=mbr)))
    another_s = drive(active(hidden(63)), table=mbr)
    assert told(HIDDEN, case_of(right, another_s)) == [("stop", 3)]


def test_hidden_when_exfat_keeps_zero_then_it_is_quiet() -> None:
    """ExFAT specification section 3.1.4: 0 is to be ignored."""
    right, zero = drive(hidden(START_LBA, kind="exfat")), drive(hidden(0, kind="exfat"))
    assert quiet(HIDDEN, case_of(right, zero))


def locked(kind: str = "luks") -> list[Partition]:
    """Return one encrypted partition."""
    return [partition(1, 1, 100, kind)]


def blocks(**changes: Any) -> list[PairContents]:
    """Return the blocks of that partition, all compared and equal."""
    return [compared(1, raw=True, blocks=100, block_population=100, **changes)]


def test_locked_when_the_encrypted_bytes_are_the_same_then_it_is_quiet() -> None:
    """docs/rules/filesystem-locked.md: the same encrypted bytes on both sides are full proof."""
    assert quiet(LOCKED, case_of(drive(locked()), drive(locked()), blocks()))


@pytest.mark.parametrize(
    ("new", "contents"),
    [
        (locked(), []),
        (locked(), blocks(mismatches=1)),
        ([partition(1, 1, 100)], []),
    ],
    ids=["not compared", "different", "plain on the new drive"],
)
def test_locked_when_the_bytes_prove_nothing_then_it_is_not_examined(
    new: list[Partition],
    contents: list[PairContents],
) -> None:
    """Files that cannot be seen are never `same`; the mirror says it too."""
    assert answers(LOCKED, case_of(drive(locked()), drive(new), contents)) == ["not_examined"]
    assert answers(LOCKED, case_of(drive(new), drive(locked()), contents)) == ["not_examined"]


def test_locked_when_nothing_is_encrypted_then_it_does_not_apply() -> None:
    """Nothing compared is never `same`."""
    assert answers(LOCKED, case_of(drive(usual()), drive(usual()))) == ["not_applicable"]
