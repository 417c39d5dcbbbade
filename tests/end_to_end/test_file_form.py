"""Drives checked whole: a registry of zeros, a letter that lost its tail, and good twins of both.

All are written by `ntfscp` with a newer time than on the old drive, as a copy of a running system
has them: no time says that anything is wrong.
"""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from fixtures import scenario
from tests.boot.test_boot_forms import big_hive, in_bins, with_head
from tests.end_to_end.checking import captured, check
from tests.support import images, pairs
from tests.support.images import put_ntfs_file, put_volume
from verify.capture.options import CaptureOptions

if TYPE_CHECKING:
    from pathlib import Path

    from verify.rules.comparison_document import Comparison

pytestmark = pytest.mark.tools(*pairs.TOOLS)

HIVE = in_bins(big_hive())
ACCOUNT = "Users/orla/NTUSER.DAT"
LETTER = "Users/orla/letter.docx"
EVENTS = "Windows/System32/system.evtx"
TEXT = scenario.noise("letter", 20_000)
OLD = {ACCOUNT: HIVE, LETTER: TEXT, EVENTS: TEXT}


def with_files(drive: Path, files: dict[str, bytes], copy: Path) -> Path:
    """Return a copy of a drive whose system has other files."""
    shutil.copyfile(drive, copy)
    table = images.read_gpt(copy)
    offset, size = table.offset(pairs.SYSTEM), table.size(pairs.SYSTEM)
    volume = images.cut_volume(copy, offset, size, copy.with_suffix(".volume"))
    for path, data in files.items():
        put_ntfs_file(volume, path, data)
    put_volume(copy, volume, offset)
    volume.unlink()
    return copy


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The old drive."""
    folder = tmp_path_factory.mktemp("forms")
    return with_files(pairs.same_size(folder).source, OLD, folder / "whole.img")


def told(comparison: Comparison) -> list[tuple[str, str | None]]:
    """Return what the rule found."""
    return [
        (item.level.value, item.path) for item in comparison.findings if item.rule == "file-form"
    ]


@pytest.mark.parametrize("depth", ["layout", "full"])
def test_check_when_an_accounts_registry_is_zeros_then_it_is_stop_at_every_depth(
    depth: str, old: Path, tmp_path: Path
) -> None:
    """With another hive in its place, which a system that ran on wrote, there is no finding."""
    options = CaptureOptions(depth=depth)  # type: ignore[arg-type]
    blank = with_files(old, {ACCOUNT: bytes(len(HIVE))}, tmp_path / "blank.img")
    comparison = check(old, blank, options)
    assert ("stop", f"/{ACCOUNT}") in told(comparison)
    moved = with_files(old, {ACCOUNT: with_head(HIVE, "<Q", 12, 1 << 56)}, tmp_path / "moved.img")
    assert told(check(old, moved, options)) == []


def test_check_when_a_file_holds_zeros_under_a_newer_time_then_its_kind_decides(
    old: Path, tmp_path: Path
) -> None:
    """A letter is lost, a log may have been laid out; the mirror image has neither."""
    gone = {LETTER: TEXT[:12_288] + bytes(20_000 - 12_288), EVENTS: TEXT[:16_384] + bytes(3_616)}
    target = with_files(old, gone, tmp_path / "target.img")
    comparison = check(old, target, CaptureOptions(depth="full"))
    assert comparison.verdict == "stop"
    assert sorted(told(comparison)) == [("review", f"/{EVENTS}"), ("stop", f"/{LETTER}")]
    assert told(check(target, old, CaptureOptions(depth="full"))) == []


def test_capture_when_files_have_zero_blocks_then_rows_tell_them_and_no_others(
    old: Path, tmp_path: Path
) -> None:
    """Counted by hand: one whole block of the letter, and its tail."""
    gone = {LETTER: TEXT[:12_288] + bytes(20_000 - 12_288), EVENTS: bytes(8192) + TEXT[:5]}
    target = with_files(old, gone, tmp_path / "target.img")
    rows = {item.path: item for item in captured(target, tmp_path).entries(pairs.SYSTEM)}
    letter, events = rows[f"/{LETTER}"], rows[f"/{EVENTS}"]
    assert (letter.zero_blocks, letter.zero_tail) == (1, True)
    assert (events.zero_blocks, events.zero_tail) == (2, False)
    assert not any(
        item.zero_blocks or item.zero_tail for path, item in rows.items() if path.endswith(".jpg")
    )
