"""Locks on a run's temporary files, so that a later run recognises what a killed run left.

The kernel lets go of a lock when its process ends, however it ends (flock(2)). A lock that can be
taken therefore proves that nobody uses the file; an age or a process number does not. Where
there are no such locks (network drives have none for folders) nothing is taken away.
Only names that this version makes are looked at: an earlier one held no locks.
"""

from __future__ import annotations

import os
import re
import shutil
import stat
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from verify.platforms.this import PLATFORM

if TYPE_CHECKING:
    from collections.abc import Iterator


WORKING = "drivewitness-held-"
PARTIAL = ".drivewitness-partial"
"""What the name of a working folder begins with, and that of a file under way ends in."""

_RANDOM = "[a-z0-9_]{8}"
"""SPEC: Python's tempfile puts eight of these characters into a name."""

_WORKING_NAME = re.compile(re.escape(WORKING) + _RANDOM)
_PARTIAL_NAME = re.compile(rf"\..+\.{_RANDOM}{re.escape(PARTIAL)}")

_TRIES = 100


class LostError(Exception):
    """What was just made was taken for left over, before its lock was had; make another."""


class WorkingFolder(tempfile.TemporaryDirectory[str]):
    """A folder for working files, which goes away at the end; what killed runs left goes first."""

    def __init__(self, scratch: str | Path | None = None) -> None:
        """Make it in `scratch`, or in the system's own place; OSError where that cannot be."""
        remove_left_folders(Path(scratch or tempfile.gettempdir()), _WORKING_NAME, own=True)
        for _ in range(_TRIES):
            # NOTE: a reading that was given up may still write into it as it is taken away; that
            # must not become an error in the place of the one that ended the run.
            super().__init__(prefix=WORKING, dir=scratch, ignore_cleanup_errors=True)
            try:
                self._lock = hold_folder(Path(self.name))
            except LostError:
                super().cleanup()
            else:
                PLATFORM.keep_folder_private(Path(self.name))
                return
        raise FileExistsError(None, "working folders are taken away as they are made", scratch)

    def cleanup(self) -> None:
        """Take the folder away, and let go of its lock."""
        super().cleanup()
        let_go(self._lock)
        self._lock = None


def hold_folder(folder: Path) -> int | None:
    """Hold a folder that was just made; `None` where there are no locks.

    Raises:
        LostError: another run was faster.
    """
    if not PLATFORM.has_locks:
        return None
    try:
        handle = PLATFORM.open_to_look(folder)
    except FileNotFoundError as error:
        raise LostError from error
    try:
        hold(handle, folder)
    except LostError:
        PLATFORM.let_go(handle)
        raise
    return handle


def hold(handle: int, path: Path) -> None:
    """Hold an open file or folder that was just made, until `handle` is closed.

    Raises:
        LostError: another run was faster.
    """
    if PLATFORM.lock(handle) is False or not _stands(handle, path):
        raise LostError


def let_go(handle: int | None) -> None:
    """Close what `hold_folder` opened."""
    if handle is not None:
        PLATFORM.let_go(handle)


def remove_left_folders(parent: Path, name: re.Pattern[str], *, own: bool) -> None:
    """Take away the folders of that name that nobody holds; `own`: those of this account alone."""
    for path, handle in _unheld(parent, name, own=own):
        if stat.S_ISDIR(os.fstat(handle).st_mode):
            shutil.rmtree(path, ignore_errors=True)


def remove_left_files(folder: Path) -> None:
    """Take away files under way that nobody writes any more."""
    for path, handle in _unheld(folder, _PARTIAL_NAME, own=True):
        if stat.S_ISREG(os.fstat(handle).st_mode):
            path.unlink(missing_ok=True)


def _unheld(parent: Path, name: re.Pattern[str], *, own: bool) -> Iterator[tuple[Path, int]]:
    """Yield what nobody holds, each while it is held here."""
    try:
        names = [item.name for item in os.scandir(parent) if name.fullmatch(item.name)]
    except OSError:
        return
    for found in names if PLATFORM.has_locks else ():
        path = parent / found
        try:
            handle = PLATFORM.open_to_look(path)
        except OSError:
            continue  # it has just gone, or is another account's
        try:
            mine = not own or PLATFORM.owns(os.fstat(handle))
            if mine and PLATFORM.lock(handle) and _stands(handle, path):
                yield path, handle
        except OSError:
            pass  # what cannot be taken away stays
        finally:
            PLATFORM.let_go(handle)


def _stands(handle: int, path: Path) -> bool:
    """Whether what is open still has its name."""
    try:
        return os.path.samestat(os.fstat(handle), os.lstat(path))
    except OSError:
        return False
