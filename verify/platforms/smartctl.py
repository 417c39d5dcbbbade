"""Asking a drive for its health: by smartctl (smartmontools), a program of its own, if it is there.

It is asked for what the drive keeps, never for a test, and never wakes a drive that sleeps. It is
run by its whole path from folders of the system, without a shell, and killed when it takes too
long or answers too much: a failing drive may hold it for minutes.

Source: smartctl(8). The options: `-n standby` (leave a sleeping drive alone), `-i -H -A` (identity,
own check, attributes or health log), `-l error` (the counts of errors that SCSI drives keep).
NOTE: smartctl opens a block device read-only on Linux (from memory of its sources).
"""

from __future__ import annotations

import os
import subprocess
import threading
from pathlib import Path
from typing import TYPE_CHECKING

from verify.platforms.health import HealthAnswer
from verify.platforms.health_document import read_health
from verify.text.message import say

if TYPE_CHECKING:
    from verify.platforms.platform import Platform

QUESTION = ("--json=c", "-n", "standby", "-i", "-H", "-A", "-l", "error")
PATIENCE_SECONDS = 30.0
MOST_BYTES = 4 << 20
_END_SECONDS = 1.0

_ENVIRONMENT = frozenset({"SystemRoot", "SystemDrive"})
"""Of the user's variables: what a program of Windows cannot start without."""

MISSING = say("the program smartctl (smartmontools) is not installed")
UNSAFE = say("smartctl was not run: others than the administrator may change it")


def ask_smartctl(platform: Platform, name: str) -> HealthAnswer:
    """Return what a drive reports of its health, or why nothing is known; it never fails.

    `name`: of the device, as smartctl on this system has it.
    """
    found = [Path(folder) / platform.smartctl_file for folder in platform.program_folders]
    programs = [path for path in found if path.is_file()]
    safe = next((path for path in programs if platform.is_safe_program(path)), None)
    if safe is None:
        return HealthAnswer(reason=UNSAFE if programs else MISSING)
    text = _run((str(safe), *QUESTION, name))
    return text if isinstance(text, HealthAnswer) else read_health(text)


def _run(command: tuple[str, ...]) -> bytes | HealthAnswer:
    """Return what a program answers within its time and length, or why it did not."""
    kept = {key: value for key, value in os.environ.items() if key in _ENVIRONMENT}
    try:
        process = subprocess.Popen(  # noqa: S603 - our own words and the name of a device
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**kept, "LC_ALL": "C"},
            cwd=Path(command[0]).anchor,
        )
    except OSError:
        return HealthAnswer(reason=say("smartctl could not be started"))
    answers: list[bytes] = []
    # NOTE: a program that waits for a drive in the kernel cannot even be killed: it is left there.
    reader = threading.Thread(target=_read, args=(process, answers), daemon=True)
    reader.start()
    reader.join(PATIENCE_SECONDS)
    if reader.is_alive():
        process.kill()
        reader.join(_END_SECONDS)
        seconds = round(PATIENCE_SECONDS)
        return HealthAnswer(reason=say("smartctl did not answer in {seconds} s", seconds=seconds))
    answer = b"".join(answers)
    if len(answer) > MOST_BYTES:
        return HealthAnswer(reason=say("smartctl answered more than it ever should"))
    return answer


def _read(process: subprocess.Popen[bytes], answers: list[bytes]) -> None:
    if process.stdout is None:
        return
    with process.stdout as stream:
        answers.append(stream.read(MOST_BYTES + 1))
    if len(answers[0]) > MOST_BYTES:
        process.kill()
    process.wait()
