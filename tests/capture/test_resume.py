"""A capture that was cut off goes on where it stood, or says why it does not."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from dataclasses import replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import pytest

from tests.conftest import REPOSITORY
from tests.support.images import MIB, make_ext4
from verify.capture.checkpoint import MOST_READ_AGAIN, Checkpoint, read_again
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions
from verify.capture.resume import Unfinished, state_of
from verify.errors import ResumeRefused
from verify.manifest.file import open_manifest
from verify.platforms.identity import Identity

if TYPE_CHECKING:
    from pathlib import Path

    from verify.filesystem.entry import Entry
    from verify.source.drive import Drive

pytestmark = pytest.mark.tools("mkfs.ext4")

NOTED = 50
FILES = {f"photo-{number:02}.jpg": bytes([number]) * 5000 for number in range(60)}
OPTIONS = CaptureOptions(depth="full", resume=True)

WORKER = f"""
import os, signal
import verify.capture.checkpoint as checkpoint
from verify.capture.readers.worker import main

checkpoint.SYNC_SECONDS = 0
note, count = checkpoint.Checkpoint.note, 0

def cut_off(self, number, text):
    global count
    note(self, number, text)
    count += 1
    if count == {NOTED}:
        os.kill(os.getppid(), signal.SIGKILL)
        os._exit(1)

checkpoint.Checkpoint.note = cut_off
main()
"""

CAPTURE = f"""
import sys
from pathlib import Path
from verify.capture.readers.isolate import Readers
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions, Environment

readers = Readers(command=(sys.executable, "-c", {WORKER!r}))
options = CaptureOptions(depth="full", resume=True)
capture(sys.argv[1], Path(sys.argv[2]), options, environment=Environment(readers=readers))
"""


@pytest.fixture
def cut(tmp_path: Path) -> tuple[Path, Path]:
    """Kill a capture by SIGKILL after `NOTED` files; return its image and its output."""
    image, output = make_ext4(tmp_path / "drive.ext4", 8 * MIB, FILES), tmp_path / "m.jsonl.gz"
    done = subprocess.run(
        [sys.executable, "-c", CAPTURE, str(image), str(output)],
        check=False,
        env={**os.environ, "PYTHONPATH": str(REPOSITORY), "TMPDIR": str(tmp_path)},
    )
    assert done.returncode == -signal.SIGKILL
    assert not output.exists()
    return image, output


def notes_of(output: Path) -> Path:
    """Return the checkpoint of the image's one partition."""
    return output.with_name(output.name + ".unfinished") / "partition-0.files"


def noted(path: Path) -> dict[int, bytes]:
    """Read what stands in a checkpoint."""
    with Checkpoint(path, "-") as checkpoint:
        return dict(checkpoint.noted())


def rows(path: Path) -> list[Entry]:
    """Return the entries of a manifest of one partition."""
    return list(open_manifest(path).entries(0))


def change_note(path: Path, number: int) -> None:
    """Change what was noted of one file, so that the line itself is still a whole one."""
    known = noted(path)
    head = path.read_bytes().splitlines()[0].split()[3].decode()
    path.unlink()
    with Checkpoint(path, head) as checkpoint:
        for key, text in known.items():
            checkpoint.note(key, b"ab" * 32 if key == number else text)


def test_capture_when_it_goes_on_then_it_holds_what_one_in_one_go_does(
    cut: tuple[Path, Path], tmp_path: Path
) -> None:
    """Row by row and count by count; and nothing of the unfinished work is left behind."""
    image, output = cut
    assert len(noted(notes_of(output))) == NOTED
    resumed = capture(str(image), output, OPTIONS)
    whole = tmp_path / "whole.jsonl.gz"
    once = capture(str(image), whole, replace(OPTIONS, resume=False))
    assert rows(output) == rows(whole)
    assert resumed.partitions == once.partitions
    assert not notes_of(output).parent.exists()


def test_capture_when_it_goes_on_then_what_was_noted_is_not_read_again(
    cut: tuple[Path, Path],
) -> None:
    """Shown by a note that was changed: it stands in the manifest, since nobody read the file."""
    image, output = cut
    path = notes_of(output)
    numbers = sorted(noted(path))
    number = next(item for item in numbers if item not in read_again(numbers))
    change_note(path, number)
    capture(str(image), output, OPTIONS)
    assert [entry.digest for entry in rows(output)].count("ab" * 32) == 1


def test_capture_when_a_file_reads_otherwise_then_it_does_not_go_on(
    cut: tuple[Path, Path],
) -> None:
    """Some of what was read is read again first; the first and the last file are among it."""
    image, output = cut
    path = notes_of(output)
    change_note(path, min(noted(path)))
    with pytest.raises(ResumeRefused, match="has changed"):
        capture(str(image), output, OPTIONS)
    assert not output.exists()


def test_capture_when_a_line_was_torn_then_that_file_is_read_again(
    cut: tuple[Path, Path], tmp_path: Path
) -> None:
    """The end of a line that a pulled plug cut, and one whose bytes changed since."""
    image, output = cut
    path = notes_of(output)
    lines = path.read_bytes().splitlines(keepends=True)
    lines[5] = lines[5][:10] + b"0" + lines[5][11:]
    path.write_bytes(b"".join(lines)[:-7])
    assert len(noted(path)) == NOTED - 2
    capture(str(image), output, OPTIONS)
    whole = tmp_path / "whole.jsonl.gz"
    capture(str(image), whole, replace(OPTIONS, resume=False))
    assert rows(output) == rows(whole)


def test_capture_when_the_image_was_changed_then_it_says_so(cut: tuple[Path, Path]) -> None:
    """An image by the time of its last change; its first sectors by their bytes."""
    image, output = cut
    before = image.stat().st_mtime_ns
    os.utime(image, ns=(before, before + 1))
    with pytest.raises(ResumeRefused, match="image has changed"):
        capture(str(image), output, OPTIONS)
    with image.open("r+b") as file:
        file.seek(2048)
        file.write(b"x")
    os.utime(image, ns=(before, before))
    with pytest.raises(ResumeRefused, match="have changed"):
        capture(str(image), output, OPTIONS)


@pytest.mark.tools("debugfs")
def test_capture_when_the_listing_is_another_then_it_does_not_go_on(
    cut: tuple[Path, Path],
) -> None:
    """A file's time, set by debugfs where neither end nor beginning of the drive shows it."""
    image, output = cut
    before = image.stat().st_mtime_ns
    head = image.read_bytes()[: 64 << 10]
    subprocess.run(
        ["debugfs", "-w", "-R", "sif photo-01.jpg mtime 20200101", image],
        check=True,
        capture_output=True,
    )
    with image.open("r+b") as file:
        file.write(head)
    os.utime(image, ns=(before, before))
    with pytest.raises(ResumeRefused, match="files of a partition have changed"):
        capture(str(image), output, OPTIONS)


def test_capture_when_another_seed_is_given_then_it_does_not_go_on(cut: tuple[Path, Path]) -> None:
    """The draw of blocks goes by the seed: both halves must have the same."""
    image, output = cut
    with pytest.raises(ResumeRefused, match="another --seed"):
        capture(str(image), output, replace(OPTIONS, seed="other"))


def test_read_again_when_many_were_read_then_they_are_spread_over_all() -> None:
    """The first, the last, and no more than the most."""
    chosen = read_again(range(1000))
    assert len(set(chosen)) == MOST_READ_AGAIN
    assert (chosen[0], chosen[-1]) == (0, 999)
    assert read_again([4, 7]) == [4, 7]


def test_raw_when_it_goes_on_then_its_blocks_are_taken_over(tmp_path: Path) -> None:
    """A drive without a known filesystem: blocks that were noted, and the rest."""
    image, output = tmp_path / "raw.img", tmp_path / "m.jsonl.gz"
    image.write_bytes(b"".join(bytes([number]) * MIB for number in range(1, 41)))
    folder = output.with_name(output.name + ".unfinished")
    whole = tmp_path / "whole.jsonl.gz"
    capture(str(image), whole, replace(OPTIONS, resume=False))
    blocks = list(open_manifest(whole).blocks(0))
    folder.mkdir()
    with Checkpoint(folder / "partition-0.blocks", f"0+{40 * MIB}") as checkpoint:
        for block in blocks[:35]:
            assert block.digest is not None
            checkpoint.note(block.index, block.digest.encode("ascii"))
    capture(str(image), output, OPTIONS)
    assert list(open_manifest(output).blocks(0)) == blocks
    folder.mkdir()
    with Checkpoint(folder / "partition-0.blocks", f"512+{40 * MIB}") as checkpoint:
        checkpoint.note(0, b"ab" * 32)
    with pytest.raises(ResumeRefused, match="partition has moved"):
        capture(str(image), output, OPTIONS)


@pytest.mark.parametrize(("giver", "goes_on"), [("drive", True), ("adapter", False), (None, False)])
def test_capture_when_only_an_adapter_gave_a_number_then_it_does_not_go_on(
    *, giver: str | None, goes_on: bool, tmp_path: Path
) -> None:
    """An adapter gives the same number for whatever drive is in it: nothing proves it is this."""
    number = None if giver is None else "BRIDGE-1"
    identity = Identity(
        kind="device", file_id="device:8:0", model="Quire 9", serial=number, serial_source=giver
    )
    drive = SimpleNamespace(identity=identity, name="sdx", size_bytes=1 << 30, sector_bytes=512)
    state = state_of(cast("Drive", drive), "mark", (), [])
    unfinished = Unfinished.beside(tmp_path / "old.manifest")
    if goes_on:
        unfinished.hold(state)
        unfinished.hold(state)
        return
    with pytest.raises(ResumeRefused):
        unfinished.hold(state)
    assert not unfinished.path.exists()
