"""The 1st read of a capture fails, then the 2nd, and so on: none of them is lost without a word.

After SQLite's "I/O error testing" (sqlite.org/testing.html): every read in turn, until a run ends
clean. Each time the drive does not give back what that read asks for, from then on: a sector that
fails only after others of its kind were read is what a worn drive does in the last steps of a
capture. The readers run in this process, so that the reads of a run come in one order.
"""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.end_to_end.checking import elsewhere
from tests.support.images import (
    ESP_TYPE,
    LINUX_TYPE,
    MIB,
    RESERVED_TYPE,
    GptTable,
    Slot,
    make_ext4,
    make_fat,
    make_gpt_drive,
    make_mbr_drive,
    make_ntfs,
)
from tests.table.layouts import Entry
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions, Environment
from verify.capture.readers.isolate import Readers
from verify.capture.readers.messages import Reporter
from verify.capture.readers.task import Answer
from verify.capture.readers.worker import answer_to
from verify.errors import SourceError
from verify.manifest.file import open_manifest
from verify.rules.judge_drives import compare
from verify.source.drive import GIVEN_UP, Drive, open_drive

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.capture.progress import Progress
    from verify.capture.readers.task import Task
    from verify.manifest.file import Manifest
    from verify.rules.comparison_document import Comparison

pytestmark = pytest.mark.tools("mkfs.ext4", "mkfs.vfat", "mcopy", "mkntfs", "ntfscp")

OPTIONS = CaptureOptions(depth="full", retries=0)
_PREAD = os.pread
EVERY = 1


@dataclass
class FailingReads:
    """`os.pread` of a drive whose sectors fail from a read's number on (0: never)."""

    number: int = 0
    code: int = errno.EIO
    count: int = 0
    bad: tuple[int, int] | None = None

    def __call__(self, descriptor: int, length: int, offset: int) -> bytes:
        """Read, or fail as the kernel does."""
        self.count += 1
        if self.count == self.number and self.bad is None:
            self.bad = (offset, offset + min(length, 512))
        if self.bad and offset < self.bad[1] and self.bad[0] < offset + length:
            raise OSError(self.code, "sectors of a test")
        return _PREAD(descriptor, length, offset)


@dataclass(slots=True)
class ReadersHere(Readers):
    """Readers that work in this process, one after the other."""

    answers: list[Answer] = field(default_factory=list)

    def read(self, task: Task, progress: Progress) -> Answer:  # noqa: ARG002
        """Do a reader's work."""
        with Path(os.devnull).open("w", encoding="utf-8") as nowhere:
            return answer_to(task, Reporter(nowhere))


def taken(drive: Path, output: Path, reads: FailingReads) -> Manifest:
    """Capture a drive through these reads."""
    around = Environment(
        clock=lambda: 1_700_000_000.0, host="bench", name_salt="5a" * 16, readers=ReadersHere()
    )
    output.unlink(missing_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("verify.platforms.posix.os.pread", reads)
        patch.setattr("verify.capture.read_partitions.MOST_READERS", 1)
        capture(str(drive), output, OPTIONS, environment=around)
    return open_manifest(output)


def gpt(folder: Path) -> Path:
    """Make a GPT drive: a FAT, a reserved, an ext4 and a raw partition."""
    table = GptTable(
        16 * 2048,
        "1DA7E0F3-0000-4000-8000-000000000001",
        {
            1: Entry(2048, 3 * 2048 - 1, ESP_TYPE, "1DA7E0F3-0000-4000-8000-000000000011", "esp"),
            2: Entry(3 * 2048, 4 * 2048 - 1, RESERVED_TYPE, "1DA7E0F3-0000-4000-8000-000000000012"),
            3: Entry(4 * 2048, 8 * 2048 - 1, LINUX_TYPE, "1DA7E0F3-0000-4000-8000-000000000013"),
            4: Entry(8 * 2048, 9 * 2048 - 1, LINUX_TYPE, "1DA7E0F3-0000-4000-8000-000000000014"),
        },
    )
    volumes = {
        1: make_fat(folder / "esp", 2 * MIB, {"a/b.txt": b"b" * 3000}, bits=12, hidden=2048),
        3: make_ext4(folder / "ext4", 4 * MIB, {"c/d.txt": b"d" * 9000, "e.txt": b"e"}),
    }
    return make_gpt_drive(folder / "drive.img", table, volumes)


def mbr(folder: Path) -> Path:
    """Make an MBR drive: an NTFS partition, and a FAT in an extended one."""
    volumes = {
        1: make_ntfs(folder / "ntfs", 4 * MIB, {"a.txt": b"a" * 5000}, hidden=2048),
        5: make_fat(folder / "fat", 4 * MIB, {"b.txt": b"b" * 3000}, bits=12, hidden=2048),
    }
    return make_mbr_drive(
        folder / "drive.img",
        16 * 2048,
        [Slot(2048, 4 * 2048, 0x07)],
        volumes,
        logicals=[Slot(7 * 2048, 4 * 2048, 0x0E)],
        signature=0x1DA7E0F4,
    )


def mentions(comparison: Comparison) -> bool:
    """Whether a comparison names what was not read, and is not `sound` unless that is a note."""
    told = [row for row in comparison.findings if row.rule == "drive-unreadable"]
    gaps = [row for row in comparison.outcomes if row.outcome == "not_examined" and row.reason]
    crashed = [row for row in comparison.outcomes if row.outcome == "crashed"]
    if crashed:
        return False
    return bool(told) or (comparison.verdict != "sound" and bool(gaps))


@pytest.mark.parametrize("make", [gpt, mbr])
def test_capture_when_any_read_fails_then_the_comparison_says_so(
    make: Callable[[Path], Path], tmp_path: Path
) -> None:
    """As the old drive and as the new one; or the capture ends in a named error."""
    drive, output = make(tmp_path), tmp_path / "m"
    counting = FailingReads()
    clean = taken(drive, tmp_path / "clean", counting)
    assert compare(clean, elsewhere(clean)).verdict == "sound"
    assert counting.count > 30
    lost = []
    for number in range(1, counting.count + 1, EVERY):
        reads = FailingReads(number)
        try:
            failing = taken(drive, output, reads)
        except SourceError:
            continue
        assert reads.bad is not None
        if not failing.header.capture.unreadable:
            lost.append((number, reads.bad[0], "not recorded"))
        for pair in ((failing, elsewhere(clean)), (elsewhere(clean), failing)):
            comparison = compare(*pair)
            if not mentions(comparison):
                lost.append((number, reads.bad[0], comparison.verdict))
    assert not lost, f"{len(lost)} of {counting.count} reads"


@pytest.mark.parametrize("number", [1, 2, 3])
def test_capture_when_a_place_of_set_metadata_fails_then_it_is_not_taken_for_no_set(
    number: int, tmp_path: Path
) -> None:
    """4 KiB from a partition's start, where md 1.2 has its superblock (Linux drivers/md/md.c).

    In a reserved partition the sector itself is a note at most.
    """
    drive = gpt(tmp_path)
    clean = taken(drive, tmp_path / "clean", FailingReads())
    at = {1: 2048, 2: 3 * 2048, 3: 4 * 2048}[number] * 512 + 4096
    failing = taken(drive, tmp_path / "m", FailingReads(1, bad=(at, at + 512)))
    for pair in ((failing, elsewhere(clean)), (elsewhere(clean), failing)):
        comparison = compare(*pair)
        reasons = [row.reason or "" for row in comparison.outcomes if row.rule == "drive-set"]
        assert any(f"partition {number} of the" in reason for reason in reasons), reasons
        assert comparison.verdict != "sound"


def test_capture_when_the_drive_is_given_up_at_the_last_read_then_that_is_said(
    tmp_path: Path,
) -> None:
    """No sector is known to fail then: that the rest was not read is reported by itself."""

    def impatient(path: str, **how: int) -> Drive:
        drive = open_drive(path, **how)
        drive.patience_seconds = -1.0
        return drive

    drive, counting = gpt(tmp_path), FailingReads()
    clean = taken(drive, tmp_path / "clean", counting)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("verify.capture.drive_capture.open_drive", impatient)
        failing = taken(drive, tmp_path / "m", FailingReads(counting.count))
    assert not failing.header.capture.unreadable
    comparison = compare(failing, elsewhere(clean))
    reasons = [row.reason or "" for row in comparison.outcomes if row.rule == "drive-unreadable"]
    assert any(GIVEN_UP in reason for reason in reasons), reasons
    assert comparison.verdict == "review"


def test_drive_when_the_kernel_calls_it_a_medium_error_then_it_did_not_go_away(
    tmp_path: Path,
) -> None:
    """ENODATA: Linux block/blk-core.c, blk_errors, BLK_STS_MEDIUM ("critical medium")."""
    drive = gpt(tmp_path)
    manifest = taken(drive, tmp_path / "m", FailingReads(20, errno.ENODATA))
    assert manifest.header.capture.unreadable
