"""Files that are there whole or not at all: another name first, synced, then renamed.

What this program writes tells of customers. So a new file is its owner's alone (0600, a folder
0700) whatever the umask, and under sudo what is made in a user's own folder becomes that user's.
No link is followed: a file replaces the link that stands under its name.
"""

from __future__ import annotations

import errno
import os
import stat
import tempfile
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING

from verify.errors import OutputError, UsageError
from verify.held import PARTIAL, LostError, hold, let_go, remove_left_files
from verify.platforms.this import PLATFORM
from verify.text.message import say
from verify.text.system_words import system_words

if TYPE_CHECKING:
    from collections.abc import Iterator

PRIVATE_FILE, PRIVATE_FOLDER = 0o600, 0o700

_MOST_BESIDE = 100
_NO_LINK = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
"""No link is followed, and a pipe that stands there is not waited for."""
_TRIES = 100


@contextmanager
def whole_file(path: Path, *, replace: bool = False) -> Iterator[IO[bytes]]:
    """Give a file to write to; it gets its name once all of it is on disk.

    `replace`: what stands under `path` by then may be replaced. Otherwise it stays, and the new
    file is kept beside it, under the next free name.

    Raises:
        OutputError: it could not be written; nothing new stands under `path` then.
        UsageError: the system allows no such name.
    """
    hold_name(path)
    temporary: Path | None = None
    lock: int | None = None
    try:
        folder = PLATFORM.real_path(path.parent)
        handle, temporary = _held_file(folder, path.name)
        lock = os.dup(handle)  # it is held until it has its name
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            PLATFORM.keep_private(handle, folder, PRIVATE_FILE)
            os.fsync(handle)
        if replace:
            temporary.replace(folder / path.name)
        else:
            _name_anew(temporary, folder / path.name)
        temporary = None
        PLATFORM.sync_folder(folder)
    except OSError as error:
        raise OutputError(str(path), system_words(error)) from error
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
        let_go(lock)


def _name_anew(temporary: Path, path: Path) -> None:
    """Give a file its name, unless there is a file of that name by now."""
    with suppress(FileExistsError):
        _name(temporary, path)
        return
    for number in range(2, _MOST_BESIDE):
        beside = path.with_name(f"{path.stem}-{number}{path.suffix}")
        with suppress(FileExistsError):
            _name(temporary, beside)
            PLATFORM.sync_folder(path.parent)
            reason = say(
                "a file appeared there meanwhile; the new one is kept as {name}", name=beside.name
            )
            raise OutputError(str(path), reason)
    raise OutputError(str(path), say("a file appeared there meanwhile"))


def _name(temporary: Path, path: Path) -> None:
    """Rename a file to a name that is free.

    Raises:
        FileExistsError: it is not.
    """
    try:
        os.link(temporary, path)
    except FileExistsError:
        raise
    except OSError:
        # NOTE: FAT and exFAT know no second name: there the name is taken first, then replaced.
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE_FILE))
        try:
            temporary.replace(path)
        except OSError:
            path.unlink()
            raise
    else:
        temporary.unlink()


def private_file(path: Path, *, mode: int = PRIVATE_FILE, new: bool = False) -> int:
    """Open a file for reading and writing, made with `mode` if need be; return its handle.

    Raises:
        FileExistsError: it was to be a `new` one.
        OSError: it cannot be opened, or is a link or no ordinary file.
        UsageError: the system allows no such name.
    """
    hold_name(path)
    how = os.O_RDWR | _NO_LINK | getattr(os, "O_CLOEXEC", 0)
    try:
        handle = os.open(path, how | os.O_CREAT | os.O_EXCL, mode)
    except FileExistsError:
        if new:
            raise
        handle = os.open(path, how)
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            os.close(handle)
            raise OSError(errno.EINVAL, "it is no ordinary file", str(path)) from None
        return handle
    PLATFORM.keep_private(handle, path.parent, mode)
    return handle


def make_folder(path: Path) -> None:
    """Make a folder, and those above it that are missing, for their owner alone.

    Raises:
        OSError: it cannot be made.
        UsageError: the system allows no such name.
    """
    hold_name(path)
    missing = [folder for folder in (path, *path.parents) if not folder.is_dir()]
    for folder in reversed(missing):
        try:
            folder.mkdir(mode=PRIVATE_FOLDER)
        except FileExistsError:  # somebody else made it by now
            if not folder.is_dir():
                raise
            continue
        PLATFORM.hand_over_folder(folder)


def hold_name(path: Path) -> None:
    """Hold that a new file or folder can have this path, as it was given.

    Raises:
        UsageError: the system takes one of its names for a device, or would change it.
    """
    if not PLATFORM.allows_name(path):
        raise UsageError(
            say("{path}: Windows does not allow this name.", path=str(path)),
            say(
                "Choose another name: none such as CON, NUL or COM1, without a dot or space at"
                ' the end, and without the characters < > : " | ? *.'
            ),
        )


def hold_no_link(path: Path) -> None:
    """Hold that what stands under a name, if anything, is no link to another place.

    Raises:
        OutputError: it is one.
    """
    if path.is_symlink():
        raise OutputError(str(path), say("it is a link to another place, which is not followed"))


def is_ours(path: Path) -> bool:
    """Whether what stands there belongs to this user, or to the one behind sudo."""
    return PLATFORM.owns_or_called(path.lstat())


def _held_file(folder: Path, name: str) -> tuple[int, Path]:
    """Make a file under another name; those that killed runs left there go first."""
    remove_left_files(folder)
    for _ in range(_TRIES):
        handle, made = tempfile.mkstemp(prefix=f".{name}.", suffix=PARTIAL, dir=folder)
        try:
            handle = PLATFORM.open_to_rename(handle, Path(made))
        except FileNotFoundError:
            continue  # another run took it for left over
        try:
            hold(handle, Path(made))
        except LostError:
            os.close(handle)
        else:
            return handle, Path(made)
    raise FileExistsError(None, "files are taken away as they are made", str(folder))
