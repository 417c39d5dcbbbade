"""The reader process: one partition, read apart, so that a hostile volume can only hurt itself.

Started by `own_code.own_python`, it takes a task from standard input and
answers on standard output, line by line. It never sees the manifest, and imports no model library.
"""

from __future__ import annotations

import gc
import os
import signal
import sys
from dataclasses import asdict
from typing import TextIO

from verify.capture.readers.messages import Reporter
from verify.capture.readers.task import Answer, Task
from verify.errors import ReaderError, ResumeRefused, SourceError, SourceVanished, WitnessError
from verify.parent import end_with_parent
from verify.platforms.this import PLATFORM
from verify.text.message import say

MEMORY_BYTES = 4 << 30
"""The address space a reader may take; a million files need about a tenth of it."""

_NEW_OBJECTS = 100_000
"""How many new objects start a search for cycles: a listing makes many objects and no cycles, and
the interpreter's own setting has it search for about a tenth of the time."""


def main() -> None:
    """Read the task's partition and answer; a failure is an answer too."""
    for name in ("SIGINT", "SIGBREAK"):  # the process that started this one ends it
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    task = Task.from_json(sys.stdin.readline())
    end_with_parent(sys.stdin.fileno())
    PLATFORM.limit_memory(MEMORY_BYTES)
    gc.set_threshold(_NEW_OBJECTS)
    report = Reporter(_own_output())
    report.send(answer=asdict(answer_to(task, report)))


def answer_to(task: Task, report: Reporter) -> Answer:
    """Read the task's partition; a failure is an answer too."""
    answer = Answer()
    try:
        _read(task, report, answer)
    except SourceVanished as error:
        answer.vanished = answer.failure = error.reason
    except ResumeRefused as error:
        answer.unlike = answer.failure = error.reason
    except SourceError as error:
        answer.failure = str(error)
    except ReaderError as error:
        answer.failure = say(
            "the reader could not {doing}: {reason}", doing=error.doing, reason=error.reason
        )
    except WitnessError as error:
        answer.failure = str(error)
    except MemoryError:
        answer.failure = say("the reader ran out of the memory it is given")
    except Exception as error:  # noqa: BLE001 - a fault in a reader is an answer, never lost
        answer.failure = say(
            "the reader failed: {name}: {error}", name=type(error).__name__, error=str(error)
        )
    return answer


def _read(task: Task, report: Reporter, answer: Answer) -> None:
    # NOTE: imported here, so that what a library does on import is caught and answered.
    from verify.capture.raw_capture import RawReading
    from verify.capture.volume_capture import FileReading
    from verify.filesystem.description import READABLE_KINDS
    from verify.filesystem.examine import examine
    from verify.filesystem.open import open_volume
    from verify.source.drive import open_drive
    from verify.source.window import Window

    with open_drive(task.drive, retries=task.retries) as drive:
        if drive.identity.file_id != task.file_id:
            raise SourceVanished(task.drive, say("its name now stands for another drive"))
        drive.sector_bytes = task.device_sector_bytes
        drive.know_unreadable(task.unreadable)
        drive.heartbeat, drive.failed = report.alive, report.failing
        window = Window(drive, task.start, task.size_bytes, task.sector_bytes)
        try:
            # NOTE: a volume that could not be listed, and is read as blocks, was examined before.
            if not task.raw or task.kind not in READABLE_KINDS:
                examination = examine(window, task.kind, report.alive)
                if examination is not None:
                    answer.examination = examination
                    report.send(examined=asdict(examination))
            if task.raw and task.depth == "layout":
                answer.failure = "its blocks are not read"
            elif task.raw:
                RawReading(task, window, report, answer).run()
            else:
                volume = open_volume(window, task.kind)
                FileReading(task, drive, window, volume, report, answer).run()
        finally:
            answer.unreadable = drive.unreadable


def _own_output() -> TextIO:
    """Return standard output for the answer alone: whatever a library prints goes nowhere."""
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
    return answers


if __name__ == "__main__":
    main()
