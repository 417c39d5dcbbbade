"""The wrong drive in hand, by real images: one finding that says so, and nothing that follows."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.end_to_end.checking import check, crashed
from tests.support import images, pairs
from tests.support.faults import write_bytes
from tests.support.images import MIB

if TYPE_CHECKING:
    from verify.rules.comparison_document import Comparison

pytestmark = pytest.mark.tools(*pairs.TOOLS)


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> pairs.Pair:
    """A Windows drive, and its clone on a smaller one with recovery moved."""
    return pairs.make_pair("shrunk", tmp_path_factory.mktemp("shrunk"))


def hole(path: Path, size: int = pairs.DRIVE_MIB * MIB) -> Path:
    """Make a blank drive."""
    with path.open("wb") as file:
        file.truncate(size)
    return path


def without_table(drive: Path, path: Path) -> Path:
    """Copy a drive and lose both ends of it, where its tables stand."""
    shutil.copyfile(drive, path)
    write_bytes(path, 0, bytes(34 * 512))
    write_bytes(path, path.stat().st_size - 33 * 512, bytes(33 * 512))
    return path


def the_one(comparison: Comparison) -> tuple[str, str]:
    """Return the only finding's level and message, which is drive-pair's."""
    assert crashed(comparison) == []
    assert [item.rule for item in comparison.findings] == ["drive-pair"]
    assert comparison.verdict == "stop"
    return comparison.findings[0].level.value, comparison.findings[0].message


@pytest.mark.parametrize("swap", [False, True])
def test_check_when_one_drive_is_blank_then_only_that_is_told(
    pair: pairs.Pair, tmp_path: Path, *, swap: bool
) -> None:
    """Zeros from end to end."""
    sides = pair.source, hole(tmp_path / "blank.img")
    level, message = the_one(check(*(sides[::-1] if swap else sides)))
    assert level == "stop"
    assert f"The {'old' if swap else 'new'} drive is blank" in message


@pytest.mark.parametrize("swap", [False, True])
def test_check_when_a_table_is_gone_then_its_filesystems_are_found_by_the_other_drive(
    pair: pairs.Pair, tmp_path: Path, *, swap: bool
) -> None:
    """Three of four partitions hold a filesystem, where the other drive's table puts them."""
    sides = pair.source, without_table(pair.source, tmp_path / "gone.img")
    level, message = the_one(check(*(sides[::-1] if swap else sides)))
    assert level == "stop"
    assert f"The partition table of the {'old' if swap else 'new'} drive is gone: 3 " in message


@pytest.mark.parametrize("swap", [False, True])
def test_check_when_only_the_backup_of_a_table_is_left_then_only_that_is_told(
    pair: pairs.Pair, tmp_path: Path, *, swap: bool
) -> None:
    """The first 34 sectors are zeros (UEFI 2.10 section 5.3: record, header, 128 entries)."""
    gone = Path(shutil.copyfile(pair.source, tmp_path / "gone.img"))
    write_bytes(gone, 0, bytes(34 * 512))
    sides = pair.source, gone
    level, message = the_one(check(*(sides[::-1] if swap else sides)))
    assert level == "stop"
    assert f"table of the {'old' if swap else 'new'} drive is gone: only the backup" in message


def test_check_when_a_table_is_gone_in_a_manifest_then_its_filesystems_were_found_before(
    pair: pairs.Pair, tmp_path: Path
) -> None:
    """Captured alone: from the usual first place on, each behind the one before."""
    from verify.capture.drive_capture import capture  # noqa: PLC0415
    from verify.capture.options import CaptureOptions  # noqa: PLC0415

    gone = without_table(pair.source, tmp_path / "gone.img")
    header = capture(str(gone), tmp_path / "gone.manifest", CaptureOptions(depth="layout"))
    assert [item.kind for item in header.remains][:1] == ["fat32"]


def test_check_when_two_drives_are_strangers_then_only_that_is_told(
    pair: pairs.Pair, tmp_path: Path
) -> None:
    """A Windows drive and a Linux machine's, made with the identifiers of neither."""
    other = pairs.make_pair("ext4", tmp_path).source
    _renew(other)
    level, message = the_one(check(pair.source, other))
    assert level == "stop"
    assert "nothing in common" in message


def test_check_when_the_sides_are_swapped_then_no_good_clone_is_called_so(
    pair: pairs.Pair,
) -> None:
    """Everything was rewritten for its new place: nothing is left by which to tell."""
    found = [item.rule for item in check(pair.target, pair.source).findings]
    assert "drive-pair" not in found


def test_check_when_a_swapped_clone_kept_its_old_start_then_that_stands_first(
    pair: pairs.Pair, tmp_path: Path
) -> None:
    """The recovery partition was moved, and its boot sector was not rewritten."""
    clone = Path(shutil.copyfile(pair.target, tmp_path / "clone.img"))
    old, new = images.read_gpt(pair.source), images.read_gpt(clone)
    start = old.entries[pairs.RECOVERY].first
    assert start != new.entries[pairs.RECOVERY].first
    write_bytes(clone, new.offset(pairs.RECOVERY) + 28, start.to_bytes(4, "little"))
    assert "drive-pair" not in [item.rule for item in check(pair.source, clone).findings]
    first = check(clone, pair.source).findings[0]
    assert (first.rule, first.level) == ("drive-pair", "review")
    assert "boot sectors" in first.message


def _renew(drive: Path) -> None:
    """Give a drive a disk and partition GUIDs of its own, by sgdisk (sgdisk(8): -G)."""
    images.run("sgdisk", "-G", drive)
