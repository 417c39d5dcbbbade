"""Losses that a label hides: whatever a type or a leftover says, what lies there is looked at.

Each drive is made by ordinary tools; the target's copy of the data is zeroed, and the verdict must
not be `sound`.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.end_to_end.checking import check, worst
from tests.support import faults, images, pairs
from verify.capture.options import CaptureOptions

pytestmark = pytest.mark.tools(*pairs.TOOLS)

MIB = images.MIB
RESERVED = "E3C9E316-0B5C-4DB8-817D-F92DF00215AE"
LDM_METADATA = "5808C8AA-7E8F-42E0-85D2-E1E90434CFB3"
HIBERNATION = "D3BFE2DE-3DAF-11DF-BA40-E3A556D89593"
FILES = {f"letters/{number}.txt": b"dear customer " * 40 for number in range(30)}


@pytest.fixture
def source(tmp_path: Path) -> Path:
    """Make a drive with one ext4 partition that holds files."""
    return pairs.ext4(tmp_path).source


@pytest.mark.parametrize("kind", [RESERVED, LDM_METADATA, HIBERNATION, images.SWAP_TYPE])
def test_check_when_files_lie_under_a_reserved_type_then_their_loss_is_stop(
    kind: str, source: Path, tmp_path: Path
) -> None:
    """A partition's type is a label; a filesystem under it is read as any other."""
    faults.set_type(source, 2, kind)
    target = Path(shutil.copyfile(source, tmp_path / "target.img"))
    assert check(source, target).verdict != "stop"
    faults.zero_partition(target, 2)
    assert check(source, target).verdict == "stop"


def test_check_when_a_swap_mark_is_left_over_then_what_lies_behind_it_counts(
    source: Path, tmp_path: Path
) -> None:
    """Ten bytes at the end of the first page make no swap space (mkswap writes a version too)."""
    table = images.read_gpt(source)
    faults.zero_partition(source, 2)
    faults.write_bytes(source, table.offset(2) + 4086, b"SWAPSPACE2")
    faults.write_bytes(source, table.offset(2) + 8 * MIB, b"somebody's data" * 1000)
    target = Path(shutil.copyfile(source, tmp_path / "target.img"))
    faults.write_bytes(target, table.offset(2) + 8 * MIB, bytes(15_000))
    assert worst(check(source, target))["raw-content"] == "stop"


@pytest.mark.parametrize("depth", ["layout", "sample", "full"])
def test_check_when_the_old_table_names_nothing_then_it_is_never_sound(
    depth: str, source: Path, tmp_path: Path
) -> None:
    """An empty table over data: nothing was compared, and that is said."""
    for number in (1, 2, 3):
        faults.remove_partition(source, number)
    target = Path(shutil.copyfile(source, tmp_path / "target.img"))
    comparison = check(source, target, CaptureOptions(depth=depth))  # type: ignore[arg-type]
    assert comparison.verdict == "review"
    silent = {item.rule for item in comparison.outcomes if item.outcome == "not_examined"}
    assert "partition-missing" in silent


def test_check_when_a_fat_lost_its_root_then_an_empty_listing_is_not_believed(
    tmp_path: Path,
) -> None:
    """The FAT has clusters in use and the root names nothing: the listing is incomplete."""
    source = images.make_fat(tmp_path / "fat.img", 8 * MIB, FILES)
    head = source.read_bytes()[:64]
    sector = int.from_bytes(head[11:13], "little")
    tables = int.from_bytes(head[14:16], "little") + head[16] * int.from_bytes(
        head[22:24], "little"
    )
    entries = int.from_bytes(head[17:19], "little")
    faults.write_bytes(source, tables * sector, bytes(entries * 32))
    target = Path(shutil.copyfile(source, tmp_path / "target.img"))
    assert check(source, target).verdict == "review"
