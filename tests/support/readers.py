"""Captures by a reader with a helper process beside it, and ways for that one to end."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import pytest

from tests.support.failing import Fault, failing_drive, reads_of
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions, Environment
from verify.capture.readers.isolate import Readers
from verify.manifest.file import open_manifest

if TYPE_CHECKING:
    from pathlib import Path

    from verify.capture.readers.task import Depth
    from verify.filesystem.entry import Entry
    from verify.manifest.header import Header

_KILLED = (
    "be = helper._be_helper;"
    "helper._be_helper = lambda *a: (signal.setitimer(signal.ITIMER_REAL, 0.02),"
    " signal.signal(signal.SIGALRM, lambda *_: os.kill(os.getpid(), 9)), be(*a))"
)
ENDINGS = (
    "pass",
    _KILLED,
    "helper._be_helper = lambda *a: os._exit(1)",
    "helper._be_helper = lambda *a: os._exit(0)",
    "os.fork = lambda: (_ for _ in ()).throw(BlockingIOError(11, 'no more processes'))",
)
"""What becomes of the helper process: it ends well, is killed on its way, or never begins."""


def taken(
    drive: Path, output: Path, readers: int, change: str = "pass", depth: Depth = "full"
) -> Header:
    """Capture with that many readers; `change` is run in the first before it reads."""
    log = output.with_suffix(".forks")
    log.unlink(missing_ok=True)
    program = (
        "import os, signal, runpy;"
        "import verify.capture.readers.helper as helper, verify.filesystem.tree as tree;"
        f"{change};"
        "fork = os.fork;"
        f"os.fork = lambda: (open({str(log)!r}, 'a').write('fork'), fork())[1];"
        "runpy.run_module('verify.capture.readers.worker', run_name='__main__')"
    )
    around = Environment(
        clock=lambda: 1_700_000_000.0,
        host="bench",
        name_salt="5a" * 16,
        readers=Readers(command=(sys.executable, "-c", program)),
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("verify.capture.read_partitions.MOST_READERS", readers)
        header = capture(str(drive), output, CaptureOptions(depth=depth), environment=around)
    assert log.exists() == (readers > 1)
    return header


def taken_beside_a_fault(
    image: Path, folder: Path, fault: Fault, change: str = "pass", depth: Depth = "full"
) -> tuple[list[Header], list[list[Entry]], list[int]]:
    """Capture a failing drive without a helper process, then with one.

    Return the headers, the rows of the only partition, and how often the fault was read.
    """
    headers, rows, reads = [], [], []
    for readers in (1, 2):
        image.with_suffix(".reads").unlink(missing_ok=True)
        own = folder / str(readers)
        own.mkdir()
        with failing_drive(image, own, [fault]) as drive:
            headers.append(taken(drive, own / "m", readers, change, depth))
        rows.append(list(open_manifest(own / "m").entries(0)))
        reads.append(reads_of(image, fault))
    return headers, rows, reads
