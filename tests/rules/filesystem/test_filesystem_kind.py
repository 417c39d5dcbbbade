"""The kind, the identity and the span of each filesystem."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.rules.cases import (
    MIB,
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
    volume,
)
from verify.filesystem.description import Filesystem, Unread
from verify.rules.filesystem import filesystem_identity, filesystem_kind, filesystem_span

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.rule import Rule

KIND, IDENTITY, SPAN = filesystem_kind.RULE, filesystem_identity.RULE, filesystem_span.RULE


def filled(filesystem: Filesystem) -> list[Partition]:
    """Return the usual partitions with something else in the system's."""
    return changed(usual(), 3, filesystem=filesystem)


@pytest.mark.parametrize("rule", [KIND, IDENTITY, SPAN], ids=lambda rule: rule.slug)
def test_filesystem_when_it_is_the_same_then_it_is_quiet(rule: Rule) -> None:
    """The quiet twin of every case below."""
    assert quiet(rule, case_of(drive(usual()), drive(usual())))


def test_kind_when_the_new_partition_holds_nothing_known_then_it_is_stop() -> None:
    """A partition that was entered but never filled; the mirror gained one, which is review."""
    case = case_of(drive(usual()), drive(filled(Filesystem(kind="unknown"))), [])
    assert told_both_ways(KIND, case) == ([("stop", 3)], [("review", 3)])
    assert findings(KIND, case)[0].message == (
        "Partition 3 contains ntfs on the old drive, no known filesystem on the new one."
    )


@pytest.mark.parametrize(("proven", "level"), [(True, "review"), (False, "stop")])
def test_kind_when_it_is_another_one_then_proof_of_the_files_decides(
    proven: bool,  # noqa: FBT001
    level: str,
) -> None:
    """A file-by-file copy into another kind loses what that kind cannot hold."""
    files = [compared(3, hashed=3 if proven else 0)]
    case = case_of(drive(usual()), drive(filled(volume("exfat", 500))), files)
    assert told_both_ways(KIND, case) == ([(level, 3)], [(level, 3)])


@pytest.mark.parametrize(("proven", "level"), [(True, "note"), (False, "review")])
def test_kind_when_the_family_is_the_same_then_it_is_lighter(
    proven: bool,  # noqa: FBT001
    level: str,
) -> None:
    """ext3 and ext4 are one filesystem with other features."""
    files = [compared(1, hashed=3 if proven else 0)]
    old, new = ([partition(1, 1, 100, kind)] for kind in ("ext3", "ext4"))
    assert told(KIND, case_of(drive(old), drive(new), files)) == [(level, 1)]


@pytest.mark.parametrize("kind", ["bitlocker", "luks"])
def test_kind_when_it_is_encrypted_on_one_drive_only_then_it_is_review(kind: str) -> None:
    """docs/rules/filesystem-kind.md: an encrypted source against a plain target is review."""
    case = case_of(drive(filled(volume(kind))), drive(usual()), [])
    assert told_both_ways(KIND, case) == ([("review", 3)], [("review", 3)])


def test_kind_when_a_reserved_partition_changed_then_it_is_a_note() -> None:
    """Its contents do not matter."""
    new = changed(usual(), 2, filesystem=Filesystem(kind="unknown"))
    assert told(KIND, case_of(drive(usual()), drive(new))) == [("note", 2)]


@pytest.mark.parametrize(
    "filesystem",
    [
        Filesystem(kind="ambiguous", candidates=("ntfs", "ext4")),
        Filesystem(kind="unknown", unread=(Unread(what="signature", reason="read error"),)),
    ],
    ids=["ambiguous", "unreadable"],
)
def test_kind_when_it_is_not_certain_then_it_is_not_examined(filesystem: Filesystem) -> None:
    """Never guessed, and never `same`; on either side."""
    case = case_of(drive(usual()), drive(filled(filesystem)), [])
    assert answers(KIND, case) == ["not_examined"]
    assert answers(KIND, case_of(drive(filled(filesystem)), drive(usual()), [])) == ["not_examined"]


def test_identity_when_it_is_another_one_then_it_is_review_and_a_label_a_note() -> None:
    """What names a filesystem by its UUID does not find it; a label seldom matters."""
    other = drive(refiled(usual(), 3, id="FFFF"))
    assert told_both_ways(IDENTITY, case_of(drive(usual()), other)) == (
        [("review", 3)],
        [("review", 3)],
    )
    unlabelled = case_of(drive(usual()), drive(refiled(usual(), 3, label=None)))
    assert told_both_ways(IDENTITY, unlabelled) == ([("note", 3)], [("note", 3)])
    assert "no label instead of Quire" in findings(IDENTITY, unlabelled)[0].message


def test_identity_when_a_label_could_not_be_read_then_it_is_not_said_to_lack() -> None:
    """What was not read is no difference."""
    unread = (Unread(what="file record 3", reason="read error"),)
    new = drive(refiled(usual(), 3, label=None, unread=unread))
    assert quiet(IDENTITY, case_of(drive(usual()), new))


def test_identity_when_one_drive_shows_none_then_it_is_not_examined() -> None:
    """A required rule that was silent there would let `sound` through; the drive is named."""
    without = drive(refiled(usual(), 3, id=None))
    for case, words in (
        (case_of(drive(usual()), without), "of the new drive has no identifier"),
        (case_of(without, drive(usual())), "of the old drive has no identifier"),
    ):
        ((outcome,), _) = IDENTITY(case)
        assert outcome.outcome == "not_examined"
        assert words in (outcome.reason or "")


def test_identity_when_neither_drive_has_one_then_only_what_was_unread_is_left_out() -> None:
    """An old FAT without a serial has none to compare."""
    none = drive([partition(1, 1, 100, "fat12", of={"id": None})])
    unread = (Unread(what="boot sector", reason="read error"),)
    lost = drive([partition(1, 1, 100, "fat12", of={"id": None, "unread": unread})])
    assert answers(IDENTITY, case_of(none, none)) == ["not_applicable"]
    assert answers(IDENTITY, case_of(lost, lost)) == ["not_examined"]


def test_identity_when_a_swap_area_has_another_then_it_is_a_note() -> None:
    """Its contents do not matter; a mount table may name it."""
    old, new = (drive([partition(1, 1, 50, "swap", of={"id": name})]) for name in ("A", "B"))
    assert told(IDENTITY, case_of(old, new)) == [("note", 1)]


def test_identity_when_the_kinds_differ_then_it_does_not_apply() -> None:
    """`filesystem-kind` tells that."""
    old, new = [partition(1, 1, 100, "ntfs")], [partition(1, 1, 100, "ext4")]
    assert answers(IDENTITY, case_of(drive(old), drive(new))) == ["not_applicable"]


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        (0, []),
        (1, [("stop", 3)]),
        (-4096 - 512, []),
        (-4096 - 513, [("review", 3)]),
    ],
)
def test_span_when_it_ends_elsewhere_then_the_place_gives_the_level(
    more: int, expected: list[tuple[str, int]]
) -> None:
    """docs/rules/filesystem-span.md: one cluster (4,096) and one sector (512) may be left."""
    new = drive(refiled(usual(), 3, size_bytes=500 * MIB + more))
    assert told(SPAN, case_of(drive(usual()), new)) == expected


def test_span_when_the_partition_was_cut_and_the_filesystem_was_not_then_it_is_stop() -> None:
    """The sentence says by how much: 500 MiB in 300 MiB (arithmetic)."""
    cut = changed(usual(), 3, sectors=300 * 2048)
    case = case_of(drive(usual()), drive(cut))
    assert told(SPAN, case) == [("stop", 3)]
    assert f"extends {200 * MIB:,} bytes past" in findings(SPAN, case)[0].message


def test_span_when_the_old_drive_has_the_fault_too_then_it_is_a_note() -> None:
    """And the old drive's alone is a note as well."""
    short = drive(refiled(usual(), 3, size_bytes=MIB))
    assert told(SPAN, case_of(short, short)) == [("note", 3)]
    assert told(SPAN, case_of(short, drive(usual()))) == [("note", 3)]


def test_span_when_the_size_is_not_known_then_it_is_not_examined() -> None:
    """Never taken for right."""
    new = drive(refiled(usual(), 3, size_bytes=None))
    assert answers(SPAN, case_of(drive(usual()), new)) == ["not_examined"]
