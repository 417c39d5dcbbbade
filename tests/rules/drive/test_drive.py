"""Drives in use, in which sectors, readable, used since."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

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
from verify.boot.store_record import HiveState
from verify.filesystem.description import ChangeJournal
from verify.filesystem.entry import Entry
from verify.manifest.header import Header, Owner, Partition, SectorRange
from verify.manifest.partition_contents import Contents
from verify.matching.pair_contents import Bag, Difference, PairContents, Sorted
from verify.matching.weigh import NEW_IS_NEWER
from verify.rules.drive import (
    drive_in_use,
    drive_unreadable,
    sector_size,
    source_used_since,
    target_used_since,
)

IN_USE, SECTORS = drive_in_use.RULE, sector_size.RULE
UNREADABLE = drive_unreadable.RULE
SOURCE_USED, TARGET_USED = source_used_since.RULE, target_used_since.RULE
SECOND = 1_000_000_000


def test_in_use_when_neither_drive_is_then_it_is_quiet() -> None:
    """The quiet twin; a read-only mount does not count."""
    assert quiet(IN_USE, case_of(drive(usual(), mounted=("/mnt",)), drive(usual())))


@pytest.mark.parametrize("what", ["mounted_writable", "changed_while_read"])
def test_in_use_when_one_drive_is_then_it_is_review(what: str) -> None:
    """On either side, and the sentence names the side."""
    changes: dict[str, Any] = {what: True}
    case = case_of(drive(usual(), **changes), drive(usual()))
    assert told_both_ways(IN_USE, case) == ([("review", None)], [("review", None)])
    assert findings(IN_USE, case)[0].message.startswith("The old drive")


def test_sectors_when_all_agree_then_it_is_quiet() -> None:
    """The quiet twin."""
    assert quiet(SECTORS, case_of(drive(usual()), drive(usual())))


def big(partitions: list[Partition], **of: Any) -> Header:
    """Return a drive of 4,096-byte sectors."""
    return drive(refiled(partitions, 1, **of), table={"sector_bytes": 4096}, sector_bytes=4096)


def test_sectors_when_the_drives_differ_and_filesystems_fit_then_it_is_review() -> None:
    """docs/rules/sector-size.md: 512 against 4096 is review by itself."""
    one = [partition(1, 1, 100)]
    case = case_of(drive(one), big(one, sector_bytes=4096))
    assert told_both_ways(SECTORS, case) == ([("review", None)], [("review", None)])


def test_sectors_when_a_filesystem_does_not_fit_then_it_is_stop() -> None:
    """docs/rules/sector-size.md: and stop where the filesystem's own sector size does not fit."""
    one = [partition(1, 1, 100)]
    case = case_of(drive(one), big(one, sector_bytes=512))
    assert told(SECTORS, case) == [("review", None), ("stop", 1)]


@pytest.mark.parametrize(("bus", "level"), [("usb", "review"), ("sata", "stop")])
def test_sectors_when_the_table_is_written_in_others_then_it_is_one_finding(
    bus: str, level: str
) -> None:
    """An adapter may be wrong; a drive attached directly is not."""
    table = {"written_for": 512, "sector_bytes": 512}
    new = drive(usual(), kind="device", bus=bus, table=table, sector_bytes=4096)
    assert told(SECTORS, case_of(drive(usual()), new)) == [(level, None)]


def broken(partitions: list[Partition], *, at_mib: float, sectors: int = 8) -> Header:
    """Return a drive on which some sectors could not be read."""
    hit = SectorRange(start_lba=int(at_mib * 2048), sectors=sectors)
    return drive(partitions, capture={"unreadable": (hit,)})


def test_unreadable_when_all_was_read_then_it_is_quiet() -> None:
    """The quiet twin."""
    assert quiet(UNREADABLE, case_of(drive(usual()), drive(usual())))


@pytest.mark.parametrize(
    ("at_mib", "expected"),
    [
        (262, ("note", 2)),
        (300, ("review", 3)),
        (0.5, ("review", None)),
        (990, ("review", None)),
    ],
    ids=["reserved", "system", "before", "behind"],
)
def test_unreadable_when_sectors_were_not_read_then_their_place_gives_the_level(
    at_mib: float, expected: tuple[str, int | None]
) -> None:
    """On the old drive; of a new one no sector may fail."""
    case = case_of(broken(usual(), at_mib=at_mib), drive(usual()))
    on_target = [("stop", expected[1])]
    assert told_both_ways(UNREADABLE, case) == ([expected], on_target)


@pytest.mark.parametrize(
    ("what", "name", "expected"),
    [
        ("free", None, [("note", 3)]),
        ("file", "/Users/orla/one.jpg", [("stop", 3), ("note", 3)]),
        ("stream", "/Users/orla/one.jpg:mark", [("stop", 3), ("note", 3)]),
        ("folder", "/Users/orla", [("review", 3)]),
        ("structure", "$MFT", [("review", 3)]),
        ("unknown", None, [("review", 3)]),
    ],
)
def test_unreadable_when_the_owner_is_known_then_it_gives_the_level_and_is_named(
    what: str, name: str | None, expected: list[tuple[str, int]]
) -> None:
    """A user's file forbids wiping, free space does not, the rest is for a person."""
    owner = Owner(partition=3, start_lba=300 * 2048, sectors=8, what=what, name=name)
    hit = SectorRange(start_lba=300 * 2048, sectors=8)
    old = drive(usual(), capture={"unreadable": (hit,), "owners": (owner,)})
    found = findings(UNREADABLE, case_of(old, drive(usual())))
    assert [(item.level, item.partition) for item in found] == expected
    told = [f"{item.path} {item.message}" for item in found]
    assert name is None or any(name in words for words in told)


def test_unreadable_when_a_raw_partition_was_hit_then_it_is_stop() -> None:
    """Nobody can say which file it was."""
    raw = [partition(1, 1, 100, "unknown")]
    assert told(UNREADABLE, case_of(broken(raw, at_mib=50), drive(raw))) == [("stop", 1)]


def test_unreadable_when_files_were_hit_then_each_is_stop_and_named() -> None:
    """The twenty first by name, the rest by number."""
    entry = Entry("file", "/a", size=1, unhashed="cannot be read")
    bag = Bag()
    for number in range(25):
        bag.add(Difference(f"/photo{number}", replace(entry), None))
    found = findings(
        UNREADABLE, case_of(drive(usual()), drive(usual()), [compared(3, unreadable=bag)])
    )
    assert [item.level for item in found] == ["stop"] * 21
    assert found[0].path == "/photo0"
    assert "5 more files" in found[-1].message


def newer(path: str, seconds: float) -> PairContents:
    """Return the system's files, one of them later on the target by so much."""
    at = 1_700_000_000 * SECOND
    old = Entry("file", path, size=1, modified=at)
    new = Entry("file", path, size=1, modified=at + int(seconds * SECOND))
    found = Sorted()
    found.add(NEW_IS_NEWER, Difference(path, old, new))
    return compared(3, changed=found)


@pytest.mark.parametrize(
    ("seconds", "source", "target"),
    [(60, [], [("note", 3)]), (-60, [("note", 3)], []), (2, [], []), (-2, [], [])],
)
def test_used_since_when_a_file_is_newer_then_that_side_was_used(
    seconds: float, source: list[tuple[str, int]], target: list[tuple[str, int]]
) -> None:
    """FAT keeps times to two seconds: no more is a difference."""
    case = case_of(drive(usual()), drive(usual()), [newer("/Users/orla/one.txt", seconds)])
    assert told(SOURCE_USED, case) == source
    assert told(TARGET_USED, case) == target


def test_used_since_when_a_boot_store_was_rewritten_then_nobody_used_the_drive() -> None:
    """A clone rewrites it by itself, as it leaves page files out."""
    case = case_of(drive(usual()), drive(usual()), [newer("/Boot/BCD", 600)])
    assert quiet(TARGET_USED, case)


def test_used_since_when_the_volume_says_it_then_that_side_was_used() -> None:
    """Ext keeps the time of its last write; a resize writes it too, and counts for nothing."""
    old, new = (
        drive([partition(1, 1, 100, "ext4", of={"last_written": at})]) for at in (1000, 2000)
    )
    assert told(TARGET_USED, case_of(old, new)) == [("note", 1)]
    assert told(SOURCE_USED, case_of(old, new)) == []
    assert told(SOURCE_USED, case_of(new, old)) == [("note", 1)]
    grown = drive([changed(list(new.partitions), 1, sectors=200 * 2048)[0]])
    assert told(TARGET_USED, case_of(old, grown)) == []


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("lost", None, "the old drive"),
        (None, "lost", "the new drive"),
        ("lost", "lost", "both drives"),
        (None, None, "one of the drives"),
    ],
)
def test_unreadable_when_a_file_was_hit_then_the_drive_is_named(
    old: str | None, new: str | None, words: str
) -> None:
    """The side that has no hash is the side that did not give the bytes back."""
    bag = Bag()
    sides = [Entry("file", "/a", size=1, unhashed=reason) for reason in (old, new)]
    bag.add(Difference("/a", *sides))
    case = case_of(drive(usual()), drive(usual()), [compared(3, unreadable=bag)])
    assert findings(UNREADABLE, case)[0].message == f"A file could not be read on {words}."


def test_unreadable_when_a_file_is_on_one_drive_only_then_that_drive_is_named() -> None:
    """An absent side was not unreadable."""
    lost = Entry("file", "/a", size=1, unhashed="lost")
    for sides, words in (((lost, None), "the old drive"), ((None, lost), "the new drive")):
        bag = Bag()
        bag.add(Difference("/a", *sides))
        case = case_of(drive(usual()), drive(usual()), [compared(3, unreadable=bag)])
        assert words in findings(UNREADABLE, case)[0].message


@pytest.mark.parametrize(
    ("first_lba", "sectors", "numbers"),
    [
        (276 * 2048, 2048, [2]),
        (277 * 2048, 1, [3]),
        (777 * 2048 - 1, 1, [3]),
        (777 * 2048, 1, [4]),
        (277 * 2048 - 1, 2, [2, 3]),
    ],
)
def test_unreadable_when_sectors_touch_an_edge_then_only_what_they_lie_in_is_named(
    first_lba: int, sectors: int, numbers: list[int]
) -> None:
    """Ranges are half-open: the first sector behind a partition is not its own."""
    hit = SectorRange(start_lba=first_lba, sectors=sectors)
    new = drive(usual(), capture={"unreadable": (hit,)})
    found = findings(UNREADABLE, case_of(drive(usual()), new))
    assert [item.partition for item in found] == numbers
    assert {(item.source, item.target) for item in found} == {(None, sectors)}


def test_unreadable_when_files_were_only_counted_then_the_counts_are_told() -> None:
    """Where the files were not compared one by one."""
    counted = changed(usual(), 3, contents=Contents(files_unreadable=2))
    case = case_of(drive(counted), drive(usual()), [])
    (finding,) = findings(UNREADABLE, case)
    assert (finding.level, finding.source, finding.target) == ("stop", 2, 0)


@pytest.mark.parametrize(
    ("block", "fits"), [(1024, False), (2048, False), (4096, True), (8192, True), (None, True)]
)
def test_sectors_when_an_ext_block_is_smaller_than_a_sector_then_it_does_not_fit(
    block: int | None,
    fits: bool,  # noqa: FBT001
) -> None:
    """A block is read in whole sectors."""
    one = [partition(1, 1, 100, "ext4")]
    case = case_of(drive(one), big(one, cluster_bytes=block, sector_bytes=None))
    assert (("stop", 1) in told(SECTORS, case)) is not fits


def test_sectors_when_an_image_has_no_table_then_nothing_but_its_filesystem_tells_them() -> None:
    """An image of one volume made for 4,096-byte sectors is no contradiction; a device is one."""
    one = [partition(0, 0, 100, of={"sector_bytes": 4096})]
    bare = {"scheme": "none", "disk_id": None}
    assert quiet(SECTORS, case_of(drive(one, table=bare), drive(one, table=bare)))
    right = drive([partition(0, 0, 100)], table=bare)
    assert told(SECTORS, case_of(right, drive(one, table=bare, kind="device"))) == [("stop", 0)]


def test_sectors_when_an_image_s_table_is_unusual_then_no_drive_is_blamed() -> None:
    """An image claims no sectors of its own."""
    new = drive(usual(), table={"written_for": 512})
    (finding,) = findings(SECTORS, case_of(drive(usual()), new))
    assert "unusual for an image" in finding.message


def test_used_since_when_a_drive_was_used_then_the_sentence_names_it() -> None:
    """The two rules differ in the side alone."""
    for rule, seconds, words in (
        (SOURCE_USED, -60, "of the old drive was written to"),
        (TARGET_USED, 60, "of the new drive was written to"),
    ):
        case = case_of(drive(usual()), drive(usual()), [newer("/Users/orla/one.txt", seconds)])
        assert words in findings(rule, case)[0].message


def test_used_since_when_the_volume_s_times_are_equal_then_it_is_quiet() -> None:
    """The quiet twin of a later last write."""
    same = drive([partition(1, 1, 100, "ext4", of={"last_written": 1000})])
    assert quiet(SOURCE_USED, case_of(same, same, []))


def test_used_since_when_there_is_nothing_to_go_by_then_it_is_not_examined() -> None:
    """No files compared, and no volume that keeps the time."""
    case = case_of(drive(usual()), drive(usual()), [])
    assert answers(SOURCE_USED, case) == ["not_examined"]
    assert answers(TARGET_USED, case) == ["not_examined"]


@pytest.mark.parametrize(("names", "expected"), [(1, []), (2, [("note", 3)]), (9, [("note", 3)])])
def test_used_since_when_most_times_are_new_then_it_was_a_copy_by_files(
    names: int, expected: list[tuple[str, int]]
) -> None:
    """More than half: a copy made file by file gives files new times, and that is no later use."""
    moved = newer("/Users/orla/one.txt", 60)
    files = compared(3, rows=names, retimed=moved.changed)
    assert told(TARGET_USED, case_of(drive(usual()), drive(usual()), [files])) == expected


def registered(written: int | None, sequence: int = 7, checksum: int = 5) -> Header:
    """Return the usual drive whose system's registry was last written then."""
    state = HiveState(
        size_bytes=8192,
        version="1.5",
        primary_sequence=sequence,
        secondary_sequence=sequence,
        stored_checksum=checksum,
        computed_checksum=5,
        hive_bins_bytes=4096,
        last_written=written,
    )
    registry = SystemRegistry(path="/Windows/System32/config/SYSTEM", state=state)
    return drive(changed(usual(), 3, boot=BootRecord(registry=registry)))


@pytest.mark.parametrize("later", [(1_700_000_001, 7), (1_700_000_000, 8)])
def test_used_since_when_the_registry_was_written_later_then_that_side_was_used(
    later: tuple[int, int],
) -> None:
    """Its base block keeps the time and the number of the last write."""
    early, late = registered(1_700_000_000), registered(*later)
    assert told(TARGET_USED, case_of(early, late, [])) == [("note", 3)]
    assert told(SOURCE_USED, case_of(early, late, [])) == []
    (finding,) = findings(SOURCE_USED, case_of(late, early, []))
    assert "the system's registry was written later" in finding.message


def test_used_since_when_the_registries_agree_then_it_is_quiet() -> None:
    """The quiet twin: something was compared, and nobody used either drive."""
    same = registered(1_700_000_000)
    assert quiet(SOURCE_USED, case_of(same, same, []))
    assert quiet(TARGET_USED, case_of(same, same, []))


@pytest.mark.parametrize("new", [registered(None), registered(1_800_000_000, checksum=6)])
def test_used_since_when_a_registry_s_time_cannot_be_trusted_then_it_tells_nothing(
    new: Header,
) -> None:
    """No time at all (an older manifest), or a base block that is damaged."""
    assert answers(TARGET_USED, case_of(registered(1_700_000_000), new, [])) == ["not_examined"]


def logged(position: int | None, serial: str = "1A2B", size_mib: int = 100) -> Header:
    """Return a drive with one NTFS volume whose log is at that sequence number."""
    return drive([partition(1, 1, size_mib, "ntfs", of={"log_position": position, "id": serial})])


def test_used_since_when_the_log_is_further_on_then_that_side_was_used() -> None:
    """The sequence number grows with everything the volume's system writes."""
    early, late = logged(1_000_000), logged(1_000_001)
    assert told(TARGET_USED, case_of(early, late, [])) == [("note", 1)]
    assert told(SOURCE_USED, case_of(early, late, [])) == []
    (finding,) = findings(SOURCE_USED, case_of(late, early, []))
    assert "the filesystem's journal has later entries" in finding.message


def test_used_since_when_the_logs_are_equally_far_then_it_is_quiet() -> None:
    """The quiet twin."""
    same = logged(1_000_000)
    assert quiet(SOURCE_USED, case_of(same, same, []))
    assert quiet(TARGET_USED, case_of(same, same, []))


def noted(position: int, journal: str = "01D9ABCDEF012345") -> Header:
    """Return a drive with one NTFS volume whose journal of changes is that far."""
    changes = ChangeJournal(id=journal, position=position)
    return drive([partition(1, 1, 100, "ntfs", change_journal=changes)])


def test_used_since_when_the_journal_of_changes_is_further_on_then_that_side_was_used() -> None:
    """Microsoft Learn, "Change Journals": every change appends a note; numbers only grow."""
    early, late = noted(4096), noted(8192)
    assert told(TARGET_USED, case_of(early, late, [])) == [("note", 1)]
    assert told(SOURCE_USED, case_of(early, late, [])) == []
    (finding,) = findings(SOURCE_USED, case_of(late, early, []))
    assert "the change journal has later entries" in finding.message
    assert quiet(TARGET_USED, case_of(early, early, []))


def test_used_since_when_the_journals_are_two_then_they_tell_nothing() -> None:
    """A journal that was made anew begins anew."""
    other = noted(8192, journal="01D9ABCDEF999999")
    assert answers(TARGET_USED, case_of(noted(4096), other, [])) == ["not_examined"]


@pytest.mark.parametrize(
    "new",
    [logged(None), logged(2_000_000, serial="9999"), logged(2_000_000, size_mib=200)],
    ids=["emptied", "another volume", "resized"],
)
def test_used_since_when_the_logs_do_not_compare_then_they_tell_nothing(new: Header) -> None:
    """A log that was emptied, another volume's, or one that a resize wrote to."""
    assert answers(TARGET_USED, case_of(logged(1_000_000), new, [])) == ["not_examined"]
