"""Windows: processes that end together, and their memory, by Job Objects.

A process that puts itself into a job that is closed with it takes along all that it starts from
then on: there is no moment at which one of them is outside. Sources: Microsoft Learn, "Job
Objects", "Nested Jobs" (a process may be in several), "AssignProcessToJobObject",
"JOBOBJECT_EXTENDED_LIMIT_INFORMATION", "JOBOBJECT_BASIC_LIMIT_INFORMATION"; [MS-ERREF] 2.3.1
(NTSTATUS values), which a process that crashes has as its exit code. Wine ends a job's
processes with it; it takes a bound on memory and does not keep it.
"""

from __future__ import annotations

import ctypes
from ctypes import c_int64, c_size_t, c_uint32, c_uint64
from functools import cache

from verify.platforms.platform import Platform
from verify.platforms.windows.system_calls import failed, library, pointer
from verify.text.message import Message, say

LIMIT_PROCESS_MEMORY = 0x100
LIMIT_DIE_ON_UNHANDLED_EXCEPTION = 0x400
LIMIT_KILL_ON_JOB_CLOSE = 0x2000
_EXTENDED_LIMIT_INFORMATION = 9


class ExtendedLimits(ctypes.Structure):
    """JOBOBJECT_EXTENDED_LIMIT_INFORMATION, with the two structures inside it laid out flat."""

    _fields_ = (
        ("PerProcessUserTimeLimit", c_int64),
        ("PerJobUserTimeLimit", c_int64),
        ("LimitFlags", c_uint32),
        ("MinimumWorkingSetSize", c_size_t),
        ("MaximumWorkingSetSize", c_size_t),
        ("ActiveProcessLimit", c_uint32),
        ("Affinity", c_size_t),
        ("PriorityClass", c_uint32),
        ("SchedulingClass", c_uint32),
        ("IoInfo", c_uint64 * 6),
        ("ProcessMemoryLimit", c_size_t),
        ("JobMemoryLimit", c_size_t),
        ("PeakProcessMemoryUsed", c_size_t),
        ("PeakJobMemoryUsed", c_size_t),
    )


CRASHES = {
    0xC0000005: say("access violation"),
    0xC0000006: say("a page of its memory could not be read"),
    0xC0000017: say("out of memory"),
    0xC000001D: say("illegal instruction"),
    0xC0000094: say("integer division by zero"),
    0xC00000FD: say("stack overflow"),
    0xC0000135: say("a library of it was not found"),
    0xC000013A: say("ended by Ctrl-C or a closed console"),
    0xC0000142: say("a library of it could not be started"),
    0xC0000374: say("damaged heap"),
    0xC0000409: say("overrun of a buffer on the stack"),
}

_FIRST_STATUS = 0xC0000000


class WindowsProcesses(Platform):
    """How processes are started, bounded and ended on Windows."""

    watches_pipes = False

    def end_children_with_this(self) -> None:
        """Put this process into a job that ends with it; one that crashes shows no window."""
        end_together()

    def crash(self, code: int) -> Message | None:
        """Return what a status code of severity "error" means."""
        if code < _FIRST_STATUS:
            return None
        words = CRASHES.get(code, say("an error that Windows numbers"))
        number = f"0x{code:08X}"
        return say("{words} ({code})", words=words, code=number)

    def limit_memory(self, most_bytes: int) -> None:
        """Limit the memory that this process may commit."""
        _enter_job(ExtendedLimits(LimitFlags=LIMIT_PROCESS_MEMORY, ProcessMemoryLimit=most_bytes))


@cache
def end_together() -> None:
    """Put this process into a job that is closed with it; once."""
    _enter_job(
        ExtendedLimits(LimitFlags=LIMIT_KILL_ON_JOB_CLOSE | LIMIT_DIE_ON_UNHANDLED_EXCEPTION)
    )


def _enter_job(limits: ExtendedLimits) -> None:
    """Put this process into a new job, whose handle is left open until the process ends.

    Raises:
        OSError: Windows refuses.
    """
    kernel = library("kernel32")
    job = pointer(kernel.CreateJobObjectW(None, None))
    done = (
        job.value
        and kernel.SetInformationJobObject(
            job, _EXTENDED_LIMIT_INFORMATION, ctypes.byref(limits), ctypes.sizeof(limits)
        )
        and kernel.AssignProcessToJobObject(job, pointer(kernel.GetCurrentProcess()))
    )
    if not done:
        raise failed()
