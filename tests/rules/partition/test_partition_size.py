"""Sizes: what is meant, what is not, and what is not proven."""

from __future__ import annotations

from typing import TYPE_CHECKING

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
    told,
    usual,
)
from verify.manifest.partition_contents import Listing
from verify.matching.pair_contents import Difference, Sorted
from verify.matching.weigh import weigh_missing
from verify.rules.partition import partition_size

if TYPE_CHECKING:
    from verify.manifest.header import Partition

RULE = partition_size.RULE
MIB_SECTORS = 2048


def sized(number: int, size_mib: int, partitions: list[Partition] | None = None) -> list[Partition]:
    """Return the usual partitions, one of another size."""
    return changed(partitions or usual(), number, sectors=size_mib * MIB_SECTORS)


def lacking(path: str) -> Sorted:
    """Return one missing path."""
    missing, item = Sorted(), Difference(path, None, None)
    missing.add(weigh_missing(item), item)
    return missing


def test_size_when_it_is_the_same_then_it_is_quiet() -> None:
    """The quiet twin."""
    assert quiet(RULE, case_of(drive(usual()), drive(usual())))


def test_size_when_bytes_are_equal_in_other_sectors_then_it_is_quiet() -> None:
    """1 MiB is 2,048 sectors of 512 bytes or 256 of 4,096 (arithmetic)."""
    old = [partition(1, 1, 64)]
    new = [changed(old, 1, start_lba=256, sectors=64 * 256)[0]]
    case = case_of(drive(old), drive(new, table={"sector_bytes": 4096}, sector_bytes=4096))
    assert quiet(RULE, case)


def test_size_when_the_system_alone_shrank_and_is_proven_then_it_is_a_note() -> None:
    """docs/rules/partition-size.md: an intended change; both sizes, in bytes and in words."""
    case = case_of(drive(usual()), drive(usual(system_mib=300)))
    assert told(RULE, case) == [("note", 3)]
    (finding,) = findings(RULE, case)
    assert (finding.source, finding.target) == (500 * 1024 * 1024, 300 * 1024 * 1024)
    # 300 and 500 MiB in powers of 1,000 (arithmetic), the unit of the table of partitions.
    assert "314.57 MB instead of 524.29 MB" in finding.message
    assert "proven" not in finding.message


def test_size_when_only_a_sample_was_read_then_it_says_how_many_files_match() -> None:
    """Half of the files read are no proof of all; those that good clones change do not match."""
    listing = Listing(files=6668, folders=9, bytes=10**9)
    old, new = (changed(usual(size), 3, listing=listing) for size in (500, 300))
    contents = compared(3, hashed=3168, expected_changes=1)
    (finding,) = findings(RULE, case_of(drive(old), drive(new), [contents]))
    assert "; 3,167 of its 6,668 files were read on both drives and match." in finding.message
    large = compared(3, hashed=3168, block_population=100, blocks=40)
    (finding,) = findings(RULE, case_of(drive(old), drive(new), [large]))
    assert "3,168 of its 6,668" in finding.message
    assert "match (large ones in part)." in finding.message


def test_size_when_a_raw_partition_grew_then_it_says_how_many_blocks_match() -> None:
    """90 blocks of 1 MiB of a partition of 90 MiB."""
    old, new = [partition(1, 1, 90, "luks")], [partition(1, 1, 100, "luks")]
    blocks = [compared(1, raw=True, blocks=30, block_population=90)]
    (finding,) = findings(RULE, case_of(drive(old), drive(new), blocks))
    assert "; 30 of its 90 blocks (1 MiB each) were read on both drives" in finding.message


def test_size_when_several_grew_and_are_proven_then_each_is_a_note() -> None:
    """docs/rules/partition-size.md: grown, with proven contents: a note, also several."""
    case = case_of(drive(usual(system_mib=300)), drive(sized(4, 250)))
    assert told(RULE, case) == [("note", 3), ("note", 4)]


def test_size_when_two_unprotected_ones_shrank_then_both_are_review() -> None:
    """An intended shrink is of one partition."""
    old = [partition(1, 1, 100), partition(2, 101, 100)]
    new = [partition(1, 1, 90), partition(2, 101, 90)]
    assert told(RULE, case_of(drive(old), drive(new))) == [("review", 1), ("review", 2)]


def test_size_when_a_protected_one_shrank_then_it_is_review_though_proven() -> None:
    """docs/rules/partition-size.md: a protected one that shrank is review, and grown a note."""
    assert told(RULE, case_of(drive(usual()), drive(sized(4, 150)))) == [("review", 4)]
    assert told(RULE, case_of(drive(sized(4, 150)), drive(usual()))) == [("note", 4)]


@pytest.mark.parametrize("new_mib", [8, 32])
def test_size_when_a_reserved_one_changed_then_it_is_a_note(new_mib: int) -> None:
    """docs/rules/partition-size.md: a reserved one resized is a note, and no other's shrink."""
    both = sized(2, new_mib, usual(system_mib=300))
    assert told(RULE, case_of(drive(usual()), drive(both))) == [("note", 2), ("note", 3)]


@pytest.mark.parametrize(
    ("contents", "words"),
    [
        (compared(3, hashed=0), "no contents were read"),
        (compared(3, missing=lacking("/Users/orla/one.jpg")), "its contents differ"),
        (compared(3, unreadable=lacking("/Users/orla/one.jpg")), "could not be read"),
        (None, "were not compared"),
    ],
)
def test_size_when_contents_are_not_proven_then_a_shrink_is_review(
    contents: object, words: str
) -> None:
    """Only proven contents make an intended change a note; the sentence says what lacks."""
    pairs = [] if contents is None else [contents]
    case = case_of(drive(usual()), drive(usual(system_mib=300)), pairs)  # type: ignore[arg-type]
    assert told(RULE, case) == [("review", 3)]
    assert words in findings(RULE, case)[0].message


def test_size_when_only_a_page_file_lacks_then_the_contents_are_proven() -> None:
    """Microsoft Learn, FilesNotToBackup: page files are left out of copies."""
    files = [compared(3, missing=lacking("/pagefile.sys"))]
    assert told(RULE, case_of(drive(usual()), drive(usual(300)), files)) == [("note", 3)]


def test_size_when_one_drive_has_no_partitions_then_it_does_not_apply() -> None:
    """Nothing compared is never `same`."""
    assert answers(RULE, case_of(drive(usual()), drive())) == ["not_applicable"]


@pytest.mark.parametrize(("kind", "level"), [("luks", "review"), ("ntfs", "note")])
def test_size_when_a_partition_of_raw_blocks_shrank_then_its_end_is_missing(
    kind: str, level: str
) -> None:
    """What has no readable filesystem cannot be whole in less room, though all blocks agree."""
    old, new = [partition(1, 1, 100, kind)], [partition(1, 1, 90, kind)]
    blocks = [compared(1, raw=kind == "luks", blocks=90, block_population=90)]
    assert told(RULE, case_of(drive(old), drive(new), blocks)) == [(level, 1)]
    assert told(RULE, case_of(drive(new), drive(old), blocks)) == [("note", 1)]


def test_size_when_it_is_a_note_then_nothing_is_to_be_done() -> None:
    """And where a person has to decide, the advice says what to see first."""
    note, review = (
        findings(RULE, case_of(drive(usual()), drive(usual(300)), [compared(3, hashed=count)]))[0]
        for count in (3, 0)
    )
    assert note.advice.startswith("Nothing to do if this was intended")
    assert review.advice.startswith("If this was not intended, clone again")
