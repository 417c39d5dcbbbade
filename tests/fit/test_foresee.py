"""What will break, told before it is made."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.fit.fits import GIB, fit_of, five_partitions, old_500, rules, target
from tests.rules.cases import MIB, changed, drive, refiled
from tests.rules.cases import partition as made
from verify.boot.boot_record import BootRecord
from verify.boot.store_record import BootStore, Device, Reference
from verify.errors import UsageError
from verify.manifest.header import SectorRange
from verify.rules.catalogue import RULES

if TYPE_CHECKING:
    from pathlib import Path

    from verify.manifest.header import Partition


def usual(**system: Any) -> list[Partition]:
    """Return the five partitions, the system's with other fields."""
    return changed(five_partitions(), 3, **system)


def test_usual_drive_when_shrunk_then_only_the_move_is_told(tmp_path: Path) -> None:
    """A clean drive has nothing against it but the recovery partition that moves."""
    assert rules(fit_of(old_500(), "256 GB", tmp_path)) == {("recovery-reference", "note")}
    assert 1 - 200 * GIB / (241_421 * MIB) > 0.15


def test_drive_when_of_the_same_size_then_nothing_is_told(tmp_path: Path) -> None:
    """What does not change breaks nothing."""
    assert rules(fit_of(old_500(), "500 GB", tmp_path)) == set()


@pytest.mark.parametrize(
    ("partitions", "expected"),
    [
        (usual(hibernation="hibernated"), ("filesystem-hibernated", "stop")),
        (refiled(five_partitions(), 3, clean=False), ("filesystem-dirty", "review")),
        (refiled(five_partitions(), 3, used_bytes=225 * GIB), ("free-space", "review")),
        (refiled(five_partitions(), 4, free_bytes=100 * MIB), ("free-space-recovery", "note")),
    ],
)
def test_system_when_in_a_state_that_breaks_then_it_is_told(
    partitions: list[Partition], expected: tuple[str, str], tmp_path: Path
) -> None:
    """A hibernated or dirty system that is resized, too little room left for it or its updates."""
    assert expected in rules(fit_of(old_500(partitions), "256 GB", tmp_path))


def test_state_when_nothing_is_resized_then_it_is_not_told(tmp_path: Path) -> None:
    """A hibernated system that keeps its size is no obstacle to a clone."""
    held = usual(hibernation="hibernated")
    assert rules(fit_of(old_500(held), "500 GB", tmp_path)) == set()


def test_locked_system_when_it_has_to_shrink_then_it_is_refused_and_told(tmp_path: Path) -> None:
    """How far a locked volume can be shrunk cannot be seen: nothing else is resized."""
    held = five_partitions()
    held[2] = made(3, 277, 474_000, "bitlocker")
    fit = fit_of(old_500(held), "256 GB", tmp_path)
    assert not fit.fits
    assert ("filesystem-locked", "review") in rules(fit)
    assert f"{fit.must_move_bytes:,}" in (fit.refusal or "")
    assert fit.must_move_bytes == (474_000 - 241_421) * MIB
    assert "encrypted" in (fit.refusal or "")


def test_source_when_sectors_do_not_read_then_it_is_told(tmp_path: Path) -> None:
    """Five sectors that the old drive does not give back are counted."""
    bad = {"unreadable": (SectorRange(start_lba=5000, sectors=5),)}
    fit = fit_of(old_500(capture=bad), "500 GB", tmp_path)
    assert rules(fit) == {("drive-unreadable", "review")}
    assert "5 sector" in fit.predictions[0].message


def mbr_drive(size_mib: int = 1000, **first: Any) -> Any:
    """Return a BIOS drive: a small active partition behind a gap, and a system."""
    return drive(
        [
            made(1, 31.5, 100, active=True, type="07", guid=None, of={"used_bytes": MIB}),
            made(2, 132, 800, type="07", guid=None, of={"used_bytes": 90 * MIB}, **first),
        ],
        size_mib=size_mib,
        table={"scheme": "mbr"},
    )


def test_mbr_when_an_active_partition_moves_then_its_boot_sector_is_told(tmp_path: Path) -> None:
    """31.5 MiB becomes 32 MiB: 65,536 hidden sectors."""
    fit = fit_of(mbr_drive(), "900 MiB", tmp_path)
    told = [item for item in fit.predictions if item.rule == "hidden-sectors"]
    assert len(told) == 1
    assert "65536" in told[0].message
    assert ("alignment-start", "note") in rules(fit)


def test_boot_store_when_it_names_a_place_that_moves_then_it_is_told(tmp_path: Path) -> None:
    """A device element of an MBR store holds a byte: 31.5 MiB is 33,030,144."""
    device = Device(kind="partition", scheme="mbr", disk_id="00C0FFEE", partition_offset=33_030_144)
    reference = Reference(
        object="X",
        object_type=None,
        description=None,
        element="11000001",
        purpose="application",
        device=device,
    )
    record = BootRecord(stores=(BootStore(path="/Boot/BCD", state=None, references=(reference,)),))
    fit = fit_of(mbr_drive(boot=record), "900 MiB", tmp_path)
    told = [item for item in fit.predictions if item.rule == "boot-reference"]
    assert [str(item.level) for item in told] == ["review"]
    assert "33030144" in told[0].message
    assert str(32 * MIB) in told[0].message


def test_mbr_when_the_drive_is_beyond_two_tebibytes_then_the_rest_is_told(tmp_path: Path) -> None:
    """4,000 GB: 4,000,787,030,016 bytes, of which 2,199,023,255,552 are in reach."""
    fit = fit_of(mbr_drive(), "4000 GB", tmp_path)
    assert ("table-scheme", "review") in rules(fit)
    last = max(row.start_lba + row.sectors for row in fit.partitions)
    assert last <= 1 << 32


def test_target_when_initialised_otherwise_then_it_is_told(tmp_path: Path) -> None:
    """A GPT on the new drive does not start what a BIOS started."""
    fit = fit_of(mbr_drive(), target("1 GB", scheme="gpt", path="new"), tmp_path)
    told = [item for item in fit.predictions if item.rule == "table-scheme"]
    assert "Initialise the new drive as MBR" in told[0].advice
    quiet = fit_of(mbr_drive(), target("1 GB", scheme="mbr", path="new"), tmp_path)
    assert ("table-scheme", "review") not in rules(quiet)


def test_bios_drive_when_sectors_become_4096_then_it_will_not_start(tmp_path: Path) -> None:
    """Microsoft Learn: sectors of 4,096 bytes start by UEFI only."""
    fit = fit_of(mbr_drive(), target("2 GB", 4096), tmp_path)
    assert {("sector-size", "stop"), ("boot-firmware", "stop")} <= rules(fit)


@pytest.mark.parametrize("number", [1, 2, 4, 9])
def test_choice_when_it_keeps_its_size_or_is_not_there_then_it_is_refused(
    number: int, tmp_path: Path
) -> None:
    """EFI system, reserved and recovery partitions are not shrunk, nor what is not there."""
    with pytest.raises(UsageError):
        fit_of(old_500(), "256 GB", tmp_path, shrink=number)


def test_predictions_when_named_then_each_is_a_rule_of_the_catalogue(tmp_path: Path) -> None:
    """What is foretold is found later under the same name."""
    slugs = {rule.slug for rule in RULES}
    for header, onto in (
        (old_500(usual(hibernation="hibernated")), target("120 GB", 4096)),
        (mbr_drive(), target("4000 GB", scheme="gpt", path="new")),
    ):
        assert {rule for rule, _ in rules(fit_of(header, onto, tmp_path))} <= slugs
