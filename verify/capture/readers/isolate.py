"""Running a reader process: its messages, its silence, its end."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import subprocess
import threading
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any

from pydantic import TypeAdapter

from verify.capture.progress import WORDS_AFTER_SECONDS
from verify.capture.readers.task import Answer
from verify.manifest.base import storable
from verify.own_code import own_python
from verify.platforms.this import PLATFORM
from verify.text.message import say, unpacked

if TYPE_CHECKING:
    from verify.capture.progress import Progress
    from verify.capture.readers.task import Task

SILENCE_SECONDS = 300.0
"""How long a reader may say nothing. A single failing read can hold a drive for a minute or more;
work on data that arrived says so several times a second."""

_MOST_AREAS, _MOST_SECONDS = 1 << 32, 1e9
"""What a reader may report in one message, which a hostile volume may have taken over."""

_ANSWER = TypeAdapter(Answer)
_LOOK_SECONDS = 0.1
_LAST_WAIT_SECONDS = 1.0


class Interrupted(BaseException):
    """Raised in whoever waits for a reader, when `Readers.stop` was called."""


@dataclass(slots=True)
class Readers:
    """Starts reader processes, and can end all of them at once."""

    silence_seconds: float = SILENCE_SECONDS
    command: tuple[str, ...] = field(
        default_factory=lambda: own_python("verify.capture.readers.worker")
    )
    _stopping: threading.Event = field(default_factory=threading.Event)

    def stop(self) -> None:
        """End every running reader; whoever waits for one gets `Interrupted`.

        Returns at once, also where a reader hangs in the kernel and cannot end yet.
        """
        self._stopping.set()

    def hold_wanted(self) -> None:
        """Hold that nobody called `stop`.

        Raises:
            Interrupted: somebody did.
        """
        if self._stopping.is_set():
            raise Interrupted

    def read(self, task: Task, progress: Progress) -> Answer:
        """Run one task to its end; every way it can end gives an answer.

        Raises:
            Interrupted: `stop` was called.
        """
        PLATFORM.end_children_with_this()
        process = subprocess.Popen(  # noqa: S603 - this interpreter, this package
            self.command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            encoding="utf-8",
            env=_environment(),
        )
        try:
            return self._talk(process, task, progress)
        finally:
            _end(process)

    def _talk(self, process: subprocess.Popen[str], task: Task, progress: Progress) -> Answer:
        messages: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        threading.Thread(target=_pump, args=(process, task, messages), daemon=True).start()
        partial = Answer()
        silent = 0.0
        while True:
            self.hold_wanted()
            try:
                line = messages.get(timeout=_LOOK_SECONDS)
            except queue.Empty:
                silent += _LOOK_SECONDS
                if silent >= WORDS_AFTER_SECONDS:
                    progress.waiting(silent)
                if silent > self.silence_seconds:
                    partial.failure = say(
                        "the reader gave no sign for {silence_seconds:g} s",
                        silence_seconds=self.silence_seconds,
                    )
                    return partial
                continue
            if silent >= WORDS_AFTER_SECONDS:
                progress.waiting(0)
            silent = 0.0
            if line is None:
                partial.failure = _death(process)
                return partial
            try:
                answer = _take(json.loads(line, object_hook=unpacked), partial, progress)
            except (ValueError, TypeError, KeyError, AttributeError):
                partial.failure = say("the reader said what is no message")
                return partial
            if answer is not None:
                return answer


def _take(message: dict[str, Any], partial: Answer, progress: Progress) -> Answer | None:
    if "advance" in message:
        progress.advance(message["advance"])
    elif "failing" in message:
        areas, seconds = message["failing"]
        if not (0 <= areas < _MOST_AREAS and 0 <= seconds < _MOST_SECONDS):
            raise ValueError("no drive fails like this")
        progress.failing(int(areas), float(seconds))
    elif "expect" in message:
        progress.expect(message["expect"])
    elif "listed" in message:
        reached = _answer({"listing": message["listed"], "incomplete": message["incomplete"]})
        partial.listing, partial.incomplete = reached.listing, reached.incomplete
    elif "examined" in message:
        partial.examination = _answer({"examination": message["examined"]}).examination
    elif "answer" in message:
        if message["answer"].keys() != {part.name for part in fields(Answer)}:
            raise ValueError("the answer has other fields")
        return _answer(message["answer"])
    return None


def _answer(parts: dict[str, Any]) -> Answer:
    """Return an answer, which may lack parts; ValueError where a part is malformed."""
    return _ANSWER.validate_python(storable(parts))


def _pump(
    process: subprocess.Popen[str], task: Task, messages: queue.SimpleQueue[str | None]
) -> None:
    """Hand over the task and pass on what comes back, until the pipe ends."""
    try:
        if process.stdin is not None and process.stdout is not None:
            process.stdin.write(task.to_json() + "\n")
            process.stdin.flush()
            for line in process.stdout:
                messages.put(line)
    except (OSError, ValueError):
        pass  # the process is gone; its end is told below
    finally:
        messages.put(None)


def _end(process: subprocess.Popen[str]) -> None:
    """End a reader; one that hangs in the kernel is left behind to end when it can."""
    process.kill()
    try:
        process.wait(timeout=_LAST_WAIT_SECONDS)
    except subprocess.TimeoutExpired:
        return
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()


def _death(process: subprocess.Popen[str]) -> str:
    try:
        code = process.wait(timeout=5)
    except subprocess.TimeoutExpired:
        return say("the reader closed its answer and hangs")
    if code < 0:
        return say("the reader was ended by {name}", name=signal.Signals(-code).name)
    if (crash := PLATFORM.crash(code)) is not None:
        return say("the reader crashed: {crash}", crash=crash)
    return say("the reader ended with exit code {code} and no answer", code=code)


def _environment() -> dict[str, str]:
    """The reader's environment: UTC, since FAT's times are local.

    NOTE: glibc maps each block above 128 KiB anew (mallopt(3)), which for pieces of 1 MiB takes
    longer than hashing them; from the heap they take half of the processor time.
    """
    memory = {"MALLOC_MMAP_THRESHOLD_": f"{16 << 20}", "MALLOC_TRIM_THRESHOLD_": f"{64 << 20}"}
    # NOTE: numpy's linear algebra, which nobody asks for here, would start a thread a processor,
    # and each takes of the reader's address space.
    threads = {"OPENBLAS_NUM_THREADS": "1"}
    return {**os.environ, "TZ": "UTC", **memory, **threads}
