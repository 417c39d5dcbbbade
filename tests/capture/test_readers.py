"""How many partitions of a drive are read at once."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import pytest

from tests.support.images import MIB, Slot, make_fat, make_mbr_drive
from verify.capture import drive_capture as capture_module
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions, Environment
from verify.capture.readers.isolate import Readers
from verify.capture.readers.task import Answer, Task
from verify.source.drive import open_drive

if TYPE_CHECKING:
    from pathlib import Path

    from verify.capture.progress import Progress

pytestmark = pytest.mark.tools("mkfs.vfat", "mcopy")


@dataclass(slots=True)
class Counting(Readers):
    """Readers that read nothing and note how many of them ran at once."""

    now: int = 0
    most: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def read(self, task: Task, progress: Progress) -> Answer:  # noqa: ARG002
        """Take a moment and answer that nothing was read."""
        with self.lock:
            self.now += 1
            self.most = max(self.most, self.now)
        time.sleep(0.3)
        with self.lock:
            self.now -= 1
        return Answer(failure="a reader of a test")


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a drive of three partitions."""
    folder = tmp_path_factory.mktemp("drive")
    volume = make_fat(folder / "volume", 4 * MIB, {}, bits=12)
    slots = [Slot(2048 + 8192 * number, 8192, 0x01) for number in range(3)]
    volumes = dict.fromkeys((1, 2, 3), volume)
    return make_mbr_drive(folder / "drive.img", 32768, slots, volumes, signature=7)


@pytest.mark.parametrize(
    ("identity", "most"),
    [
        ({}, 2),
        ({"kind": "device", "rotational": False}, 2),
        ({"kind": "device", "rotational": True}, 1),
        ({"kind": "device", "rotational": None}, 1),
    ],
    ids=["image", "solid-state", "rotating", "unknown"],
)
def test_partitions_when_nothing_moves_then_two_are_read_at_once(
    identity: dict[str, Any],
    most: int,
    drive: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A head that moves serves one reader at a time."""

    def opened(path: str, *, retries: int) -> Any:
        found = open_drive(path, retries=retries)
        found.identity = replace(found.identity, **identity)
        return found

    monkeypatch.setattr(capture_module, "open_drive", opened)
    readers = Counting()
    header = capture(
        str(drive), tmp_path / "m", CaptureOptions(), environment=Environment(readers=readers)
    )
    assert readers.most == most
    assert [item.number for item in header.partitions] == [1, 2, 3]
