"""In a self-contained folder there is no Python: the program starts its readers as itself.

`sys.frozen` is what makers of such folders set, and `sys.executable` is the program there
(PyInstaller's manual, "Run-time Information").
"""

from __future__ import annotations

import subprocess
import sys

import pytest

from verify import own_code

READER = "verify.capture.readers.worker"

STARTED = (
    "import sys; sys.frozen = True; sys.argv[0] = 'drivewitness';"
    "from verify.__main__ import main; sys.exit(main())"
)
"""The start of the program in such a folder."""


def started(*arguments: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    """Start the program as in such a folder."""
    command = (sys.executable, "-I", "-c", STARTED, *arguments)
    return subprocess.run(command, input=typed, capture_output=True, text=True, check=False)


def test_reader_when_there_is_no_python_then_the_program_is_started(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The command of a reader is the program itself and no option of an interpreter's."""
    monkeypatch.setattr(sys, "frozen", True, raising=False)
    monkeypatch.setattr(sys, "executable", "/a folder/drivewitness")
    command = own_code.own_python(READER)
    assert command == ("/a folder/drivewitness", own_code.PROCESS_WORD, READER)


def test_program_when_it_is_started_as_a_reader_then_it_reads_a_task() -> None:
    """What comes on standard input is taken for a task; no task is no command line's fault."""
    process = started(own_code.PROCESS_WORD, READER, typed="no task\n")
    assert process.returncode == 1
    assert "JSONDecodeError" in process.stderr


@pytest.mark.parametrize("module", ["os", "verify.cli.app", "http.server", ""])
def test_program_when_another_module_is_asked_for_then_it_is_wrong_use(module: str) -> None:
    """The word starts readers and nothing else."""
    process = started(own_code.PROCESS_WORD, module)
    assert process.returncode == 2
    assert own_code.PROCESS_WORD in process.stderr


def test_program_when_there_is_a_python_then_the_word_is_wrong_use() -> None:
    """An installed program has no such word."""
    process = subprocess.run(
        (sys.executable, "-I", "-m", "verify", own_code.PROCESS_WORD, READER),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    assert process.returncode == 2
