"""File or delete a job again and again, each time killed one step later, until it is not.

    python crash.py ARCHIVE SOURCE TARGET [delete]

With `delete` each job is filed whole, and its deletion is what is killed. A step is anything the
interpreter tells of before it does it (opening, renaming, making and removing names; see
sys.addaudithook), and every sync. Prints a line a run: the name of the job, `killed` or `done`.
"""

from __future__ import annotations

import os
import signal
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tests.archive.small import compared
from verify.archive.archive import open_archive
from verify.archive.filing import JobWords, delete_job, file_job

if TYPE_CHECKING:
    from collections.abc import Callable

STEPS = ("open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.chmod", "shutil.rmtree")
MOST_STEPS = 400
ENDED = 7


def die_at(step: int, archive: Path) -> None:
    """Let this process be killed before that step of what it does to the archive."""
    left = [step]

    def count() -> None:
        left[0] -= 1
        if left[0] < 0:
            os.kill(os.getpid(), signal.SIGKILL)

    def hook(event: str, arguments: tuple[Any, ...]) -> None:
        if event in STEPS and any(str(archive) in str(item) for item in arguments):
            count()

    sync = os.fsync

    def counted(handle: Any) -> None:
        count()
        sync(handle)

    os.fsync = counted  # type: ignore[assignment]
    sys.addaudithook(hook)


def run_until(step: int, archive: Path, work: Callable[[], object]) -> bool:
    """Do a work in a process of its own, killed at a step; return whether it came to its end."""
    child = os.fork()
    if child == 0:
        die_at(step, archive)
        try:
            work()
        finally:
            os._exit(1)  # not as its parent
    status = os.waitpid(child, 0)[1]
    if not os.WIFSIGNALED(status) and os.WEXITSTATUS(status) != ENDED:
        sys.exit(f"it failed at step {step}")
    return not os.WIFSIGNALED(status)


def main() -> None:
    """Go through all steps."""
    root, source, target = (Path(item) for item in sys.argv[1:4])
    archive, paths = open_archive(root), (source, target)
    comparison = compared(paths)

    def file(job: str) -> None:
        file_job(archive, JobWords(job=job), comparison, paths, None, now=1)

    def filing(job: str) -> None:
        file(job)
        os._exit(ENDED)

    def deleting(job: str) -> None:
        delete_job(archive, job, None, technician=None, reason="asked to")
        os._exit(ENDED)

    work = deleting if "delete" in sys.argv[4:] else filing
    for step in range(MOST_STEPS):
        job = f"step-{step}"
        if work is deleting:
            file(job)
        ended = run_until(step, root, partial(work, job))
        sys.stdout.write(f"{job} {'done' if ended else 'killed'}\n")
        if ended:
            return
    sys.exit("it never ended")


if __name__ == "__main__":
    main()
