"""A drive with bad sectors, by a model with a clock: all that is good is read, at a stated cost.

What must be asked is arithmetic on the pattern: each bad sector once by itself, and again as often
as `retries` says. What may be asked beyond that is stated at `verify.source.drive.Drive`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.source.failing_model import FAILING_SECONDS, FailingModel, failing_model
from verify.errors import SourceUnreadable

if TYPE_CHECKING:
    from verify.source.drive import Drive

MIB = 1 << 20
SIZE = 64 * MIB

PATTERNS: dict[str, tuple[int, list[tuple[int, int]]]] = {
    "single sectors": (512, [(at * MIB + 70 * 512, 512) for at in range(0, 64, 4)]),
    "every other sector": (512, [(5 * MIB + at * 1024, 512) for at in range(40)]),
    "physical sectors of 4096": (4096, [(at * MIB + 8192, 4096) for at in range(0, 64, 4)]),
    "runs of 20 kB": (4096, [(at * MIB + 36864, 20480) for at in range(0, 64, 4)]),
    "a run over the edge of two reads": (4096, [(7 * MIB - 8192, 20480)]),
    "one run of 2 MB": (4096, [(9 * MIB + 4096, 2 * MIB)]),
    "the first and the last sector": (512, [(0, 512), (SIZE - 512, 512)]),
}


def read_all(drive: Drive, piece: int = MIB) -> int:
    """Read a whole drive in pieces; return how many of them failed."""
    failed = 0
    for offset in range(0, drive.size_bytes, piece):
        try:
            drive.read_at(offset, piece)
        except SourceUnreadable:
            failed += 1
    return failed


def bad_bytes(model: FailingModel) -> int:
    """Return how many bytes of a model are bad."""
    return model.size_bytes - good_bytes(model)


def good_bytes(model: FailingModel) -> int:
    """Return how many bytes of a model were given back."""
    return sum(end - start for start, end in model.good)


@pytest.mark.parametrize("gives_before", [False, True])
@pytest.mark.parametrize("retries", [0, 1, 3])
@pytest.mark.parametrize("pattern", sorted(PATTERNS))
def test_drive_when_sectors_fail_then_all_others_are_read_and_each_is_asked_as_often_as_said(
    pattern: str, retries: int, *, gives_before: bool
) -> None:
    """Once within a larger read, 1 + retries alone; once more where sectors are learned of."""
    physical, bad = PATTERNS[pattern]
    model = failing_model(SIZE, bad, physical=physical, gives_before=gives_before)
    drive = model.drive(retries=retries)
    read_all(drive)
    assert bad_bytes(model) == sum(length for _, length in bad)
    assert sorted(drive.unreadable) == sorted(
        (at, 512) for start, length in bad for at in range(start, start + length, 512)
    )
    learned = 1 if physical > 512 else 0
    assert max(model.asked.values()) <= 1 + 1 + retries + learned
    units = sum(length for _, length in bad) // physical
    assert model.failing_reads <= units * (1 + retries) + len(bad) * 2 + 2 * 8 * learned
    before = model.failing_reads
    read_all(drive)
    assert model.failing_reads == before, "a sector that is known to be bad was asked again"


def test_drive_when_what_failed_before_is_handed_in_then_it_is_not_asked() -> None:
    """A reader process begins with what others have found."""
    _, bad = PATTERNS["runs of 20 kB"]
    model = failing_model(SIZE, bad, physical=4096)
    drive = model.drive()
    drive.know_unreadable(bad)
    assert read_all(drive) == len(bad)
    assert model.failing_reads == 0
    assert bad_bytes(model) == sum(length for _, length in bad)


def test_drive_when_its_physical_sectors_are_not_true_then_no_good_sector_is_lost() -> None:
    """A USB adapter says 4096 of a drive of 512: the seven others of each eight are good."""
    bad = [(at * MIB + 3 * 512, 512) for at in range(10)]
    model = failing_model(SIZE, bad, physical=4096)
    drive = model.drive()
    read_all(drive)
    assert sorted(drive.unreadable) == bad
    assert bad_bytes(model) == 10 * 512
    assert model.failing_reads == 10 * (1 + 2) + 1, "learned at the first, not asked every time"


def test_drive_when_a_bad_area_outlasts_the_patience_then_what_lies_behind_is_read() -> None:
    """2 MiB at 5 s a sector of 4096 are 43 minutes; the patience is ten of them."""
    model = failing_model(SIZE, [(9 * MIB, 2 * MIB)], physical=4096)
    drive = model.drive()
    read_all(drive)
    assert not drive.given_up
    assert bad_bytes(model) == 2 * MIB
    assert model.now < 2 * 512 * FAILING_SECONDS


def test_drive_when_no_read_succeeds_any_more_then_it_is_given_up() -> None:
    """Ten minutes of failing reads, and eight more over the drive: 600 s / 5 s + 8 and one."""
    model = failing_model(SIZE, [(MIB, SIZE - MIB)], physical=4096)
    drive = model.drive()
    drive.read_at(0, MIB)
    read_all(drive)
    assert drive.given_up
    assert model.failing_reads <= 600 / FAILING_SECONDS + 8 + 1


def test_drive_when_a_sector_fails_once_then_nothing_is_unreadable() -> None:
    """The second read of it gives it back."""
    model = failing_model(SIZE, [(MIB, 512)])
    drive = model.drive()

    def heal(_areas: int, _seconds: float) -> None:
        if model.failing_reads == 2:
            model.bad = type(model.bad)()

    drive.failed = heal
    assert len(drive.read_at(MIB, MIB)) == MIB
    assert drive.unreadable == []
