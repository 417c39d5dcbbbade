"""What Windows is asked of processes and consoles, with its libraries simulated here.

Numbers: Microsoft Learn, "JOBOBJECT_BASIC_LIMIT_INFORMATION", "HandlerRoutine"; [MS-ERREF] 2.3.1.
"""

from __future__ import annotations

import ctypes
import signal
import time

import pytest

from verify.platforms.windows import console, processes
from verify.platforms.windows.processes import ExtendedLimits
from verify.platforms.windows.system import Windows


def test_limits_when_laid_out_then_they_are_as_windows_has_them_on_64_bits() -> None:
    """winnt.h for x64: 144 bytes; flags at 16, the bound on a process behind both structures."""
    assert ctypes.sizeof(ExtendedLimits) == 144
    assert ExtendedLimits.LimitFlags.offset == 16
    assert ExtendedLimits.IoInfo.offset == 64
    assert ExtendedLimits.ProcessMemoryLimit.offset == 112


def test_reader_when_bounded_then_its_job_is_told_how_many_bytes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """JOB_OBJECT_LIMIT_PROCESS_MEMORY is 0x100, and nothing else is limited."""
    entered: list[ExtendedLimits] = []
    monkeypatch.setattr(processes, "_enter_job", entered.append)
    Windows().limit_memory(4 << 30)
    assert [(limits.LimitFlags, limits.ProcessMemoryLimit) for limits in entered] == [
        (0x100, 4 << 30)
    ]


def test_run_when_it_starts_readers_then_its_job_ends_with_it_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """JOB_OBJECT_LIMIT_KILL_ON_JOB_CLOSE is 0x2000, DIE_ON_UNHANDLED_EXCEPTION 0x400."""
    entered: list[ExtendedLimits] = []
    monkeypatch.setattr(processes, "_enter_job", entered.append)
    processes.end_together.cache_clear()
    windows = Windows()
    windows.end_children_with_this()
    windows.end_children_with_this()
    processes.end_together.cache_clear()
    assert [limits.LimitFlags for limits in entered] == [0x2400]


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (0xC0000005, "access violation (0xC0000005)"),
        (0xC00000FD, "stack overflow (0xC00000FD)"),
        (0xC0000420, "an error that Windows numbers (0xC0000420)"),
    ],
)
def test_crash_when_it_has_a_status_then_it_is_said_in_words(code: int, words: str) -> None:
    """STATUS_ACCESS_VIOLATION, STATUS_STACK_OVERFLOW, and one that is not in the table."""
    assert Windows().crash(code) == words


@pytest.mark.parametrize("code", [0, 1, 3, 70, 130, 0x80000003])
def test_end_when_it_is_no_error_of_windows_then_it_is_no_crash(code: int) -> None:
    """Exit codes of programs, and a status of severity "warning"."""
    assert Windows().crash(code) is None


@pytest.mark.parametrize("event", [2, 5, 6])
def test_console_when_closed_then_the_run_is_ended_before_windows_ends_it(
    event: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The signal comes first; then the handler holds on, for less than the five seconds it has."""
    told: list[object] = []
    monkeypatch.setattr(signal, "raise_signal", told.append)
    monkeypatch.setattr(time, "sleep", told.append)
    assert console.hold_open_while_ending(event) == 1
    assert len(told) == 2
    assert isinstance(told[0], signal.Signals)
    assert 3 < float(str(told[1])) < 5


@pytest.mark.parametrize("event", [0, 1])
def test_console_when_ctrl_c_or_ctrl_break_then_it_is_left_to_python(event: int) -> None:
    """CTRL_C_EVENT and CTRL_BREAK_EVENT: the next handler is asked."""
    assert console.hold_open_while_ending(event) == 0
