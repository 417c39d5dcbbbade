"""What is said when a reading ends that can go on: where it stands, and how to continue it."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from verify.cli.ending import Ended
from verify.text.message import say


@contextmanager
def resumable(output: Path, *, resume: bool) -> Iterator[None]:
    """Let an interrupt say where the progress of a reading is kept, and the command to go on."""
    from verify.capture.resume import Unfinished

    try:
        yield
    except (Ended, KeyboardInterrupt) as ending:
        kept = Unfinished.beside(output).path
        if not (resume and kept.is_dir()):
            raise
        told = say("Its progress is kept in {folder}. To continue, type:", folder=str(kept))
        raise Ended(told, f"  {_command()}") from ending


def _command() -> str:
    """Return what was typed to start this run."""
    from verify.platforms.this import PLATFORM

    called_sudo = ("sudo",) if "SUDO_UID" in os.environ else ()
    return PLATFORM.command_line((*called_sudo, "drivewitness", *sys.argv[1:]))
