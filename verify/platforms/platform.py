"""What this program asks of the system it runs on.

`Platform` answers with what Python itself can do on any system: image files are read and results
are written. It opens no device, locks nothing, sets no permission and knows nothing of the
running machine. A system's own file overrides what that system has.
"""

from __future__ import annotations

import errno
import os
import platform
import shlex
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from verify.errors import MachineUntold
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from verify.platforms.health import HealthAnswer
    from verify.platforms.identity import Identity
    from verify.platforms.opened import Opened
    from verify.platforms.running_machine import Machine, SeenDrive
    from verify.text.message import Message

APPLICATION = "drivewitness"

_moving = threading.Lock()
"""Between the two steps of a read that moves a file's position."""


class Platform:
    """A system of which nothing is known, and the interface of those that are."""

    opens_devices = False
    """Whether a device can be opened as a drive; else image files alone are."""

    has_locks = False
    """Whether files and folders can be locked, and the lock ends with its process."""

    has_groups = False
    """Whether files have a group of accounts, with rights of its own."""

    forks = False
    """Whether a process can be copied."""

    watches_pipes = True
    """Whether a pipe can be waited for while other parts of the process ask after it."""

    text_encoding: str | None = None
    """How text is written to consoles and pipes; `None`: as the user's environment says."""

    program_folders: tuple[str, ...] = ()
    """Where the system, and who administrates it, keep programs."""

    smartctl_file = "smartctl"
    """The file of the program that asks drives for their health."""

    how_to_be_let = ""
    """A sentence on how this system lets a user read a drive; empty: the usual one will do."""

    # Drives and images

    def names_device(self, name: str) -> bool:  # noqa: ARG002
        """Whether a name is that of a device which has no path, so that no file has it."""
        return False

    def untried(self, name: str) -> str:  # noqa: ARG002
        """Return a sentence on what was never tried of reading such a drive; empty: it was."""
        return ""

    def open_device(self, name: str) -> Opened | None:  # noqa: ARG002
        """Open a device that has no path, read-only; `None`: the name is a path.

        Raises:
            FileNotFoundError, PermissionError: it is not there; this user may not read it.
            OSError: it cannot be opened.
        """
        return None

    def open_to_read(self, name: str) -> int:
        """Open a device or an image file, read-only; the descriptor is the caller's to close.

        Raises:
            OSError: it cannot be opened.
        """
        return os.open(name, os.O_RDONLY | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0))

    def is_device(self, status: os.stat_result) -> bool:  # noqa: ARG002
        """Whether what was named is a device that can be read as a drive."""
        return False

    def size_bytes(self, descriptor: int) -> int:
        """Return the length of an open device or image.

        Raises:
            OSError: the system does not tell.
        """
        return os.lseek(descriptor, 0, os.SEEK_END)

    def identity(self, descriptor: int, status: os.stat_result) -> Identity:
        """Return which device is open, its sector sizes, what is mounted of it, hidden areas.

        Asked of what `is_device` says yes to, so of nothing where `opens_devices` is False.
        """
        raise NotImplementedError

    def read_at(self, descriptor: int, length: int, offset: int) -> bytes:
        """Return up to `length` bytes from byte `offset`; fewer at the end, none behind it.

        Raises:
            OSError: they cannot be read.
        """
        with _moving:
            os.lseek(descriptor, offset, os.SEEK_SET)
            return os.read(descriptor, length)

    def is_medium_error(self, error: OSError) -> bool:
        """Whether an error of `read_at` means sectors that the drive does not give back."""
        return error.errno == errno.EIO

    def health(self, name: str) -> HealthAnswer:
        """Return what a device reports of its health, or why nothing is known; it never fails."""
        from verify.platforms.smartctl import ask_smartctl  # noqa: PLC0415 - with subprocess

        return ask_smartctl(self, os.path.realpath(name))

    def is_safe_program(self, path: Path) -> bool:  # noqa: ARG002
        """Whether only administrators, and who runs this, may change a program or replace it."""
        return True

    def mapped_identity(self, path: str) -> str | None:  # noqa: ARG002
        """Return the identity that the device mapper gave a device; `None`: it gave none.

        Raises:
            OSError: nothing is there.
        """
        return None

    def written_onto(self, place: Path, reads: Iterable[str]) -> str | None:  # noqa: ARG002
        """Return which of the drives and images that are read a new file would lie on.

        `None`: on none, as far as the system tells. `place`: where the file is going to be.
        """
        return None

    def path_of(self, descriptor: int) -> str | None:  # noqa: ARG002
        """Return the path of an open file; `None` where the system does not tell."""
        return None

    def real_path(self, path: Path) -> Path:
        """Return the absolute path that a path leads to, links followed; it need not exist."""
        return path.resolve()

    def allows_name(self, path: Path) -> bool:  # noqa: ARG002
        """Whether a new file or folder can have that path, with each name in it as it is."""
        return True

    def command_line(self, words: Sequence[str]) -> str:
        """Return words as they are typed at this system's prompt to mean just them."""
        return shlex.join(words)

    # The running machine

    def machine(self) -> Machine:
        """Return what this machine tells of itself; the tables of its drives are not read.

        Raises:
            MachineUntold: it does not.
        """
        raise MachineUntold(platform.system() or say("This system"), say("it is not supported"))

    def drives(self, *, every_sort: bool) -> tuple[SeenDrive, ...]:  # noqa: ARG002
        """Return the drives attached to this machine.

        `every_sort`: also what is made of drives, where the system tells.

        Raises:
            MachineUntold: the system does not tell.
        """
        return self.machine().drives

    # Locks

    def open_to_look(self, path: Path) -> int:
        """Open a file or a folder that others may rename or take away meanwhile; no link."""
        how = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
        return os.open(path, how)

    def open_to_rename(self, handle: int, path: Path) -> int:  # noqa: ARG002
        """Return a file that was just made, opened so that it can be renamed while it is open.

        Raises:
            FileNotFoundError: somebody took it away.
        """
        return handle

    def let_go(self, handle: int) -> None:
        """Close a file or folder that was opened to look or to lock, which unlocks it."""
        os.close(handle)

    def lock(self, handle: int) -> bool | None:  # noqa: ARG002
        """Lock an open file or folder until `let_go`, or the end of the process.

        False: somebody has the lock; `None`: there are none here.
        """
        return None

    # Owners and permissions

    def owns(self, status: os.stat_result) -> bool:  # noqa: ARG002
        """Whether a file is this account's."""
        return True

    def owns_or_called(self, status: os.stat_result) -> bool:  # noqa: ARG002
        """Whether a file is this account's, or that of who became this account to start us."""
        return True

    def owner_is_trusted(self, status: os.stat_result) -> bool:
        """Whether a file is this account's, the administrator's, or that of who called sudo."""
        return self.owns_or_called(status)

    def others_may_change(self, path: Path, mode: int) -> bool:
        """Whether a file lets others than its owner write to it; `mode` is its own.

        Raises:
            OSError: the system does not tell.
        """
        return self.others_may_use(path, mode)

    def keep_private(self, handle: int, folder: Path, mode: int) -> None:
        """Give a new file its mode, and the owner that it has in `folder`, where that is kept."""

    def hand_over_folder(self, folder: Path) -> None:
        """Give a folder that was just made, and is empty, the owner that it has in its own."""

    def keep_folder_private(self, folder: Path) -> None:
        """Let nobody else use a new folder, where its mode does not say so already."""

    def let_in(self, folder: Path, modes: tuple[int, int], group: int | None) -> None:  # noqa: ARG002
        """Give all in a folder its modes (files', folders'), and a group; links are left alone.

        Raises:
            OSError: it cannot be done.
        """
        raise OSError(errno.ENOSYS, "this system has no groups of accounts to share it with")

    def group_number(self, name: str) -> int | None:  # noqa: ARG002
        """Return the number of a group of accounts; `None`: there is no such group."""
        return None

    def group_name(self, number: int) -> str:
        """Return the name of a group of accounts; its number where it has none."""
        return str(number)

    def others_may_use(self, path: Path, mode: int) -> bool:  # noqa: ARG002
        """Whether a file lets others than its owner read or write it; `mode` is its own.

        Raises:
            OSError: the system does not tell.
        """
        return False

    # Files

    def sync_folder(self, folder: Path) -> None:
        """Put the names in a folder on disk, where the system lets a folder be synced."""

    def user_folder(self, purpose: Literal["data", "settings"]) -> Path:
        """Return this program's folder for a user.

        Source: XDG Base Directory Specification 0.8.
        """
        variable, under_home = {
            "data": ("XDG_DATA_HOME", ".local/share"),
            "settings": ("XDG_CONFIG_HOME", ".config"),
        }[purpose]
        named = Path(os.environ.get(variable) or "")
        return (named if named.is_absolute() else Path.home() / under_home) / APPLICATION

    def calling_users_folder(self) -> Path | None:
        """Return the folder for settings of who became this account to start us; `None`: nobody."""
        return None

    # The console

    def set_up_console(self) -> None:
        """Have it show what is written to it, and tell when it is closed."""

    def language(self) -> str:
        """Return the language that the system has for its user (BCP 47).

        Empty: it has none but that of the environment's variables.
        """
        return ""

    # Processes

    def crash(self, code: int) -> Message | None:  # noqa: ARG002
        """Return what the exit code of a process says of a crash; `None`: it says of none."""
        return None

    def end_with_parent(self) -> None:
        """Have this process ended when its parent is gone, where the system does so."""

    def end_children_with_this(self) -> None:
        """Have what this process starts ended when this one is gone, where the system does so."""

    def limit_memory(self, most_bytes: int) -> None:
        """Limit the memory that this process may take, where the system does so."""

    def processors(self) -> int:
        """Return how many processors this process may use."""
        return os.cpu_count() or 1

    def fork(self) -> int:
        """Copy this process; return 0 in the copy, which ends with this one, else its number.

        Raises:
            OSError: there is no further process.
        """
        raise OSError(errno.ENOSYS, "this system copies no process")

    def end_fork(self, process: int) -> None:
        """End a copy at once, and wait until it is gone."""
