"""A drive that has less flash than it says: its far end gives back what belongs elsewhere."""

from __future__ import annotations

import sys
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from tests.support.images import MIB, make_ext4
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions, Environment
from verify.capture.readers.isolate import Readers
from verify.manifest.file import open_manifest
from verify.rules.judge_drives import compare

if TYPE_CHECKING:
    from pathlib import Path

    from verify.manifest.file import Manifest

pytestmark = pytest.mark.tools("mkfs.ext4")

FILES = {f"name{number:04}": b"%05d" % number * 800 for number in range(2_000)}

SMALL_STRETCHES = (
    "import runpy, verify.manifest.draw as draw;"
    "draw.STRETCH_BYTES = 1 << 20;"
    "runpy.run_module('verify.capture.readers.worker', run_name='__main__')"
)
ENVIRONMENT = Environment(readers=Readers(command=(sys.executable, "-c", SMALL_STRETCHES)))
ONE_FILE = CaptureOptions(depth="sample", sample_files=1, sample_blocks=1)


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make one volume, once: eight stretches of a MiB hold files."""
    return make_ext4(tmp_path_factory.mktemp("volumes") / "source.img", 32 * MIB, FILES)


def taken(image: Path, output: Path, **options: object) -> Manifest:
    """Capture an image as if stretches were a MiB long."""
    capture(str(image), output, replace(ONE_FILE, **options), environment=ENVIRONMENT)  # type: ignore[arg-type]
    return open_manifest(output)


def test_sample_when_files_lie_all_over_then_each_stretch_has_one_that_was_read(
    source: Path, tmp_path: Path
) -> None:
    """And none of them counts as drawn: the bound is that of the one file that was."""
    manifest = taken(source, tmp_path / "m")
    read = [entry for entry in manifest.entries(0) if entry.digest]
    assert len({entry.extents[0][0] * 1024 // MIB for entry in read}) >= 8
    contents = manifest.header.partitions[0].contents
    assert contents is not None
    assert contents.placed == sum(entry.placed for entry in read) == len(read) - 1
    assert contents.files_drawn == 1
    found = compare(manifest, manifest).evidence
    assert found.bound is not None
    assert found.bound.files_at_most > 0.94 * len(FILES)


def test_sample_when_a_stretch_wraps_around_then_files_there_differ(
    source: Path, tmp_path: Path
) -> None:
    """A copy of which the files of one MiB read as those of another do; one file was drawn.

    Its folders are spared, which on such a drive would be as wrong, and be found by their names.
    """
    whole = source.read_bytes()
    data = bytearray(whole)
    later, first = whole.index(FILES["name1500"]), whole.index(FILES["name0000"])
    start = later - later % MIB
    for text in FILES.values():
        at = whole.find(text)  # -1 where it lies in two pieces
        if start <= at < start + MIB:
            data[at : at + len(text)] = whole[at - start + first :][: len(text)]
    (tmp_path / "target.img").write_bytes(data)
    old, new = taken(source, tmp_path / "a"), taken(tmp_path / "target.img", tmp_path / "b")
    result = compare(old, new)
    assert result.verdict == "stop"
    assert [item.rule for item in result.findings if item.level == "stop"] == ["file-content"]


def test_capture_when_full_then_no_file_is_read_for_its_place(source: Path, tmp_path: Path) -> None:
    """All are read."""
    manifest = taken(source, tmp_path / "m", depth="full")
    assert not any(entry.placed for entry in manifest.entries(0))
