"""A reader process may crash, hang, babble or vanish: each way to end gives an answer."""

from __future__ import annotations

import sys
import threading
import time

import pytest

from tests.source.failing_model import failing_model
from verify.capture.progress import Progress, watched
from verify.capture.readers.isolate import Interrupted, Readers
from verify.capture.readers.task import Answer, Task
from verify.manifest.partition_contents import Listing

TASK = Task(
    drive="nothing",
    file_id="file:0:0",
    start=0,
    size_bytes=512,
    sector_bytes=512,
    device_sector_bytes=512,
    kind="ntfs",
    raw=False,
    depth="sample",
    seed="seed",
    sample_files=1,
    sample_blocks=1,
    retries=0,
    rows="rows",
)


def read_with(program: str, silence_seconds: float = 5.0) -> Answer:
    """Run a reader that is this Python program."""
    readers = Readers(silence_seconds, (sys.executable, "-c", program))
    return readers.read(TASK, Progress())


def test_reader_when_it_is_killed_then_the_signal_is_the_reason() -> None:
    """As a library's crash would end it."""
    answer = read_with("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)")
    assert answer.failure == "the reader was ended by SIGSEGV"
    assert answer.listing is None


def test_reader_when_it_exits_without_an_answer_then_its_code_is_the_reason() -> None:
    """Also where it never took its task."""
    assert read_with("raise SystemExit(9)").failure == (
        "the reader ended with exit code 9 and no answer"
    )


def test_reader_when_it_hangs_then_it_is_ended_after_its_silence() -> None:
    """A hang is bounded by the silence it may keep, not by the size of the drive."""
    began = time.monotonic()
    answer = read_with("import time; time.sleep(60)", silence_seconds=0.5)
    assert answer.failure == "the reader gave no sign for 0.5 s"
    assert time.monotonic() - began < 5


class Told(Progress):
    """Records what is reported about a failing drive."""

    def __init__(self) -> None:
        self.said: list[tuple[str, float, float]] = []

    def failing(self, areas: int, seconds: float) -> None:
        """Keep it."""
        self.said.append(("failing", areas, seconds))

    def waiting(self, seconds: float) -> None:
        """Keep whether there is a wait."""
        self.said.append(("waiting", bool(seconds), 0.0))


def test_reader_when_reads_fail_and_last_then_the_progress_is_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What failed as it fails; that nothing comes, while it does not, and that it came again."""
    monkeypatch.setattr("verify.capture.readers.isolate.WORDS_AFTER_SECONDS", 0.3)
    program = (
        "import time;"
        "print('{\"failing\": [1, 5.0]}', flush=True); time.sleep(1);"
        "print('{\"advance\": 512}', flush=True)"
    )
    told = Told()
    Readers(20.0, (sys.executable, "-c", program)).read(TASK, told)
    assert ("failing", 1, 5.0) in told.said
    after = told.said[told.said.index(("failing", 1, 5.0)) + 1 :]
    assert ("waiting", True, 0.0) in after
    assert ("waiting", False, 0.0) in after


def test_drive_when_one_read_of_this_process_lasts_then_the_progress_is_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The table is read before there is a reader process: no stall without words there either."""
    monkeypatch.setattr("verify.capture.progress.WORDS_AFTER_SECONDS", 0.1)
    monkeypatch.setattr("verify.capture.progress._LOOK_SECONDS", 0.05)
    drive, told = failing_model(1 << 20, []).drive(), Told()
    with watched(drive, told):
        drive.reading_since = time.monotonic()
        time.sleep(1)
        drive.reading_since = None
        time.sleep(0.5)
    assert told.said[0] == ("waiting", True, 0.0)
    assert told.said[-1] == ("waiting", False, 0.0)


def test_reader_when_it_dies_after_the_listing_then_the_listing_is_kept() -> None:
    """What was listed before a crash is not lost."""
    program = (
        "import sys, json;"
        "print(json.dumps({'listed': {'files': 3, 'folders': 1, 'bytes': 30},"
        " 'incomplete': ['/x: why']}), flush=True);"
        "sys.exit(1)"
    )
    answer = read_with(program)
    assert answer.listing == Listing(files=3, folders=1, bytes=30)
    assert answer.incomplete == ["/x: why"]
    assert answer.failure is not None


@pytest.mark.parametrize(
    "line",
    [
        "hello",
        "3",
        '{"failing": [NaN, 1]}',
        '{"failing": [1, Infinity]}',
        '{"failing": [1]}',
        '{"failing": "ab"}',
        '{"answer": {}}',
        '{"answer": 3}',
        '{"examined": {"structure": 3}}',
        '{"listed": {"files": 3}, "incomplete": []}',
        '{"listed": {"files": "?", "folders": 1, "bytes": 30}, "incomplete": []}',
    ],
)
def test_reader_when_it_says_what_is_no_message_then_that_is_its_failure(line: str) -> None:
    """Only whole messages are believed."""
    answer = read_with(f"print({line!r})")
    assert answer.failure == "the reader said what is no message"


def test_readers_when_stopped_then_the_wait_ends_at_once() -> None:
    """As Ctrl-C does it, while a reader hangs."""
    readers = Readers(60.0, (sys.executable, "-c", "import time; time.sleep(60)"))
    threading.Timer(0.3, readers.stop).start()
    began = time.monotonic()
    with pytest.raises(Interrupted):
        readers.read(TASK, Progress())
    assert time.monotonic() - began < 3


def test_worker_when_the_drive_is_another_one_by_now_then_it_reads_nothing() -> None:
    """The file identity that the parent saw is held against what the reader opens."""
    answer = Readers().read(TASK, Progress())
    assert answer.failure == "nothing: there is no such file or device."
