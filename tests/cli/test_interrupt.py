"""Ctrl-C while a drive does not answer: the command ends at once and leaves nothing behind."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import pytest

from tests.conftest import REPOSITORY
from tests.support.failing import Fault, failing_drive, reads_of
from tests.support.images import MIB, make_ext4

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = [pytest.mark.root, pytest.mark.tools("mkfs.ext4", "umount")]

FILES = {"photo.jpg": b"A" * 2 * MIB}
AT_ONCE_SECONDS = 8.0
"""Far under the five minutes that a silent reader is given, and enough for a busy machine."""


def test_capture_when_interrupted_while_a_reader_hangs_then_it_ends_at_once(
    tmp_path: Path,
) -> None:
    """Exit 130 by the contract, though the reader process cannot even be killed by then."""
    image = make_ext4(tmp_path / "drive.ext4", 16 * MIB, FILES)
    at = image.read_bytes().index(FILES["photo.jpg"][:MIB])
    with _interrupted(image, tmp_path, Fault(at, at + 512, "hang")) as process:
        assert process.wait(timeout=AT_ONCE_SECONDS) == 130


def test_capture_when_interrupted_while_the_table_hangs_then_it_lets_go_at_once(
    tmp_path: Path,
) -> None:
    """The command's own thread waits in the kernel, which keeps the process until it answers."""
    image = make_ext4(tmp_path / "drive.ext4", 16 * MIB, FILES)
    end = image.stat().st_size
    with _interrupted(image, tmp_path, Fault(end - 512, end, "hang")):
        pass


@contextlib.contextmanager
def _interrupted(image: Path, folder: Path, fault: Fault) -> Iterator[subprocess.Popen[bytes]]:
    """Interrupt a capture that waits for `fault`; hold that it says so and leaves nothing."""
    scratch, made, said = folder / "scratch", folder / "made", folder / "said"
    scratch.mkdir()
    made.mkdir()
    command = [sys.executable, "-m", "verify", "capture", "--depth", "full"]
    with contextlib.ExitStack() as stack, failing_drive(image, folder, [fault]) as drive:
        process = subprocess.Popen(
            [*command, str(drive), "-o", str(made / "m.jsonl.gz")],
            cwd=REPOSITORY,
            env={**os.environ, "TMPDIR": str(scratch)},
            stdout=subprocess.DEVNULL,
            stderr=stack.enter_context(said.open("w")),
        )
        try:
            _wait_for_read(image, fault)
            began = time.monotonic()
            process.send_signal(signal.SIGINT)
            while "interrupted" not in said.read_text():
                assert time.monotonic() - began < AT_ONCE_SECONDS, said.read_text()
                time.sleep(0.02)
            yield process
            assert time.monotonic() - began < AT_ONCE_SECONDS
            assert list(made.iterdir()) == []
            _wait_for_empty(scratch)
        finally:
            process.kill()
    process.wait(timeout=20)


def _wait_for_empty(folder: Path) -> None:
    """What waits for the process's end is gone a moment after its last words."""
    deadline = time.monotonic() + AT_ONCE_SECONDS
    while list(folder.iterdir()):
        assert time.monotonic() < deadline, list(folder.iterdir())
        time.sleep(0.05)


def _wait_for_read(image: Path, fault: Fault) -> None:
    """Wait until the drive was asked for what it never answers."""
    deadline = time.monotonic() + 30
    while not reads_of(image, fault):
        assert time.monotonic() < deadline, "nobody read it"
        time.sleep(0.05)
