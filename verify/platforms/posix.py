"""What Linux and macOS have in common: locks, owners and modes, forks, reads at a place.

Sources: POSIX.1-2017 (pread, fork, fchmod, fchown, getrlimit); flock(2); sudo(8), SUDO_UID and
SUDO_GID. Tried on Linux alone.
"""

from __future__ import annotations

import fcntl
import grp
import os
import pwd
import re
import resource
import signal
import stat
from contextlib import suppress
from pathlib import Path

from verify.platforms.platform import APPLICATION, Platform

_NUMBER = re.compile(r"[0-9]{1,9}")
_WRITABLE = stat.S_IWGRP | stat.S_IWOTH
_OTHERS = stat.S_IRWXG | stat.S_IRWXO
_OTHERS_WRITE = stat.S_IWGRP | stat.S_IWOTH


class Posix(Platform):
    """A system of that family; devices are not opened by this."""

    has_groups = True
    has_locks = True
    forks = True
    program_folders: tuple[str, ...] = (
        "/usr/sbin",
        "/usr/bin",
        "/sbin",
        "/bin",
        "/usr/local/sbin",
        "/usr/local/bin",
        "/opt/homebrew/sbin",
        "/opt/homebrew/bin",
    )

    settings_under_home = ".config"
    """Where a user's settings lie, where no variable says so."""

    def read_at(self, descriptor: int, length: int, offset: int) -> bytes:
        """Return up to `length` bytes from byte `offset`."""
        return os.pread(descriptor, length, offset)

    def lock(self, handle: int) -> bool | None:
        """Lock an open file or folder; network drives have no locks for folders."""
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError:
            return None
        return True

    def owns(self, status: os.stat_result) -> bool:
        """Whether a file is this account's."""
        return status.st_uid == os.geteuid()

    def owns_or_called(self, status: os.stat_result) -> bool:
        """Whether a file is this account's, or that of the user behind sudo."""
        user = _user_behind_sudo()
        return self.owns(status) or (user is not None and status.st_uid == user[0])

    def is_safe_program(self, path: Path) -> bool:
        """Whether nobody but root, and this account, may change a program or what leads to it."""
        try:
            real = path.resolve(strict=True)
            told = [place.stat() for place in {real, *real.parents, *path.parents}]
        except OSError:
            return False
        trusted = {0, os.geteuid()}
        return all(item.st_uid in trusted and not item.st_mode & _WRITABLE for item in told)

    def keep_private(self, handle: int, folder: Path, mode: int) -> None:
        """Give a new file its mode, and the owner that it has in that folder.

        NOTE: a FAT stick or a network share keeps neither, and refuses what it cannot keep: there
        whoever mounted it decided who may read it.
        """
        with suppress(OSError):
            os.fchmod(handle, mode)
        _hand_over(handle, folder)

    def hand_over_folder(self, folder: Path) -> None:
        """Give a new folder to the user behind sudo, in a folder of that user's."""
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_NONBLOCK)
        try:
            if not os.listdir(handle):  # noqa: PTH208 - else somebody put another in its place
                _hand_over(handle, folder.parent)
        finally:
            os.close(handle)

    def let_in(self, folder: Path, modes: tuple[int, int], group: int | None) -> None:
        """Give all in a folder its modes, and a group, by handles: no link counts."""
        file_mode, folder_mode = modes
        for _, _, files, handle in os.fwalk(folder, follow_symlinks=False):
            _open_to(handle, folder_mode, group)
            for name in files:
                if not stat.S_ISREG(os.lstat(name, dir_fd=handle).st_mode):
                    continue
                file = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK, dir_fd=handle)
                try:
                    _open_to(file, file_mode, group)
                finally:
                    os.close(file)

    def group_number(self, name: str) -> int | None:
        """Return the number of a group; `None`: there is no such group."""
        try:
            return grp.getgrnam(name).gr_gid
        except KeyError:
            return None

    def group_name(self, number: int) -> str:
        """Return the name of a group; its number where it has none."""
        try:
            return grp.getgrgid(number).gr_name
        except KeyError:
            return str(number)

    def others_may_use(self, path: Path, mode: int) -> bool:  # noqa: ARG002 - the mode says it
        """Whether a mode gives its group or others anything."""
        return bool(mode & _OTHERS)

    def owner_is_trusted(self, status: os.stat_result) -> bool:
        """Whether a file is this account's, root's, or that of the user behind sudo."""
        return status.st_uid == 0 or self.owns_or_called(status)

    def others_may_change(self, path: Path, mode: int) -> bool:  # noqa: ARG002 - the mode says it
        """Whether a mode lets its group or others write."""
        return bool(mode & _OTHERS_WRITE)

    def calling_users_folder(self) -> Path | None:
        """Return the folder for settings of the user behind sudo, which sudo's own HOME hides."""
        user = _user_behind_sudo()
        if user is None:
            return None
        try:
            home = pwd.getpwuid(user[0]).pw_dir
        except KeyError:
            return None
        return Path(home, self.settings_under_home, APPLICATION)

    def sync_folder(self, folder: Path) -> None:
        """Put the names in a folder on disk."""
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

    def limit_memory(self, most_bytes: int) -> None:
        """Limit the address space of this process."""
        _, most = resource.getrlimit(resource.RLIMIT_AS)
        limit = most_bytes if most == resource.RLIM_INFINITY else min(most, most_bytes)
        resource.setrlimit(resource.RLIMIT_AS, (limit, most))

    def fork(self) -> int:
        """Copy this process; return 0 in the copy, which ends with this one, else its number."""
        parent = os.getpid()
        process = os.fork()
        if not process:
            self.end_with_parent()
            if os.getppid() != parent:
                os._exit(1)
        return process

    def end_fork(self, process: int) -> None:
        """End a copy at once, and wait until it is gone."""
        os.kill(process, signal.SIGKILL)
        os.waitpid(process, 0)


def _open_to(handle: int, mode: int, group: int | None) -> None:
    if group is not None:
        os.fchown(handle, -1, group)
    os.fchmod(handle, mode)


def _hand_over(handle: int, folder: Path) -> None:
    """Give what root made in the folder of the user behind sudo to that user.

    By its handle, so that no link decides what is given away; in a folder of anybody else it stays
    root's. A folder that gives its group to what is in it (setgid) goes on doing so.
    """
    user = _user_behind_sudo()
    status = folder.stat()
    if user is not None and status.st_uid == user[0]:
        with suppress(OSError):  # see the note on modes
            os.fchown(handle, user[0], -1 if status.st_mode & stat.S_ISGID else user[1])


def _user_behind_sudo() -> tuple[int, int] | None:
    """Return who called sudo, as user and group."""
    if os.geteuid() != 0:
        return None
    told = os.environ.get("SUDO_UID", ""), os.environ.get("SUDO_GID", "")
    if not all(_NUMBER.fullmatch(text) for text in told) or int(told[0]) == 0:
        return None
    return int(told[0]), int(told[1])
