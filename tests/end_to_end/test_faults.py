"""One fault at a time on a good clone, and the finding it must bring.

Each fault is made by a few bytes or by another program; the level is that of the rule's page.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from fixtures import scenario
from tests.end_to_end.checking import captured, crashed, elsewhere, worst
from tests.support import faults, pairs
from tests.support.images import MIB
from tests.support.pairs import ESP, RECOVERY, SYSTEM
from verify.manifest.file import Manifest
from verify.rules.judge_drives import compare

if TYPE_CHECKING:
    from collections.abc import Callable

pytestmark = pytest.mark.tools(*pairs.TOOLS)

PHOTO = f"{scenario.HOME}/Pictures/Bindings/binding-07.jpg"
"""A file of the scenario, 15,872 bytes long."""

BASIC_TYPE = "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7"

FAULTS: dict[str, tuple[Callable[[Path], object], dict[str, str]]] = {
    "attributes lost": (
        lambda image: faults.drop_attributes(image, RECOVERY),
        {"partition-attributes": "review", "recovery-place": "review"},
    ),
    "recovery type lost": (
        lambda image: faults.set_type(image, RECOVERY, BASIC_TYPE),
        {"partition-type": "review"},
    ),
    "disk GUID anew": (faults.new_disk_guid, {"disk-identity": "review", "boot-reference": "stop"}),
    "partition GUID anew": (
        lambda image: faults.new_partition_guid(image, SYSTEM),
        {"partition-guid": "review", "boot-reference": "stop"},
    ),
    "recovery partition gone": (
        lambda image: faults.remove_partition(image, RECOVERY),
        {"partition-missing": "stop", "boot-reference": "stop", "recovery-reference": "stop"},
    ),
    "renumbered": (
        lambda image: faults.renumber(image, SYSTEM, RECOVERY),
        {"partition-order": "note"},
    ),
    "order swapped": (
        lambda image: faults.swap_partition_order(image, SYSTEM, RECOVERY),
        {"partition-order": "review"},
    ),
    "start off the grid": (
        lambda image: faults.shift_start(image, RECOVERY, 3),
        {"alignment-start": "review"},
    ),
    "entry shorter than its filesystem": (
        lambda image: faults.shrink_entry(image, SYSTEM, 2048),
        {"filesystem-span": "stop"},
    ),
    "overlap": (
        lambda image: faults.overlap_next(image, SYSTEM, 4096),
        {"partition-bounds": "stop"},
    ),
    "backup table in the middle": (
        lambda image: faults.leave_backup_behind(image, 8 * MIB),
        {"table-intact": "review"},
    ),
    "backup table gone": (faults.wipe_backup_gpt, {"table-intact": "review"}),
    "backup table damaged": (faults.damage_backup_crc, {"table-intact": "review"}),
    "primary header damaged": (faults.damage_primary_crc, {"table-intact": "stop"}),
    "primary entries damaged": (faults.damage_primary_entries, {"table-intact": "stop"}),
    "dirty": (
        lambda image: faults.set_ntfs_dirty(image, SYSTEM),
        {"filesystem-dirty": "review"},
    ),
    "loader deleted": (
        lambda image: faults.delete_fat_path(image, ESP, "EFI/Microsoft/Boot/bootmgfw.efi"),
        {"file-missing": "stop", "file-count": "stop", "boot-loader": "stop"},
    ),
    "recovery wiped": (
        lambda image: faults.zero_partition(image, RECOVERY),
        {"filesystem-kind": "stop"},
    ),
    "photo damaged": (
        lambda image: faults.damage_file(image, scenario.photo(PHOTO, 15_872)),
        {"file-content": "stop"},
    ),
}


@dataclass(frozen=True)
class Old:
    """The old drive as it was captured once, and a clone of it to break."""

    manifest: Manifest
    clone: Path


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> Old:
    """Make one old drive and its clone of the same size."""
    folder = tmp_path_factory.mktemp("clone")
    pair = pairs.make_pair("same-size", folder)
    return Old(captured(pair.source, folder), pair.target)


@pytest.mark.parametrize("fault", FAULTS)
def test_compare_when_the_clone_has_one_fault_then_its_rule_tells_it(
    fault: str, old: Old, tmp_path: Path
) -> None:
    """At least the rules named, at the level named, and the verdict that follows.

    And where both drives have the fault, the clone did not cause it: a note at most.
    """
    break_it, expected = FAULTS[fault]
    broken = Path(shutil.copyfile(old.clone, tmp_path / "broken.img"))
    break_it(broken)
    target = captured(broken, tmp_path)
    comparison = compare(old.manifest, target)
    found = worst(comparison)
    assert crashed(comparison) == []
    assert {rule: found.get(rule) for rule in expected} == expected, found
    levels = set(found.values())
    gravest = next(level for level in ("stop", "review", "note") if level in levels)
    assert comparison.verdict == {"stop": "stop", "review": "review", "note": "sound"}[gravest]
    twins = worst(compare(target, elsewhere(target)))
    twins.pop("alignment-start", None)  # judged by the new drive's own grid alone
    assert set(twins.values()) <= {"note"}, twins


BOOT_CODE = bytes(range(1, 221)) * 2
"""440 bytes that stand for machine code in sector 0; both drives have it."""

MBR_FAULTS: dict[str, tuple[Callable[[Path], object], dict[str, str]]] = {
    "active flag lost": (faults.clear_active, {"boot-flag": "stop"}),
    "signature anew": (faults.new_signature, {"disk-identity": "review"}),
    "boot code wiped": (
        lambda image: faults.write_bytes(image, 0, bytes(440)),
        {"boot-code": "stop"},
    ),
    "boot code changed": (
        lambda image: faults.flip_byte(image, 100),
        {"boot-code": "review"},
    ),
}


@pytest.fixture(scope="module")
def old_mbr(tmp_path_factory: pytest.TempPathFactory) -> Old:
    """Make an old drive that a BIOS starts, and its clone."""
    folder = tmp_path_factory.mktemp("mbr")
    pair = pairs.make_pair("mbr", folder)
    for image in (pair.source, pair.target):
        faults.write_bytes(image, 0, BOOT_CODE)
    return Old(captured(pair.source, folder), pair.target)


@pytest.mark.parametrize("fault", MBR_FAULTS)
def test_compare_when_what_a_bios_starts_by_is_broken_then_its_rule_tells_it(
    fault: str, old_mbr: Old, tmp_path: Path
) -> None:
    """Active flag, signature and boot code, each on a drive that was sound before."""
    break_it, expected = MBR_FAULTS[fault]
    broken = Path(shutil.copyfile(old_mbr.clone, tmp_path / "broken.img"))
    assert compare(old_mbr.manifest, captured(broken, tmp_path)).verdict == "sound"
    break_it(broken)
    comparison = compare(old_mbr.manifest, captured(broken, tmp_path))
    found = worst(comparison)
    assert {rule: found.get(rule) for rule in expected} == expected, found
