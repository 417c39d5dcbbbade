"""Who may read an archive: its owner alone, or every account of its group.

It is its owner's alone unless `jobs share` said otherwise, which is stored in its `archive.json`.
In a shared one the folders hand on their group (setgid, chmod(1)), so that whoever files a job
there files it for all.
"""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING

from verify.whole_file import PRIVATE_FILE, PRIVATE_FOLDER

if TYPE_CHECKING:
    from pathlib import Path

SHARED_FILE, SHARED_FOLDER = 0o660, 0o2770


def file_mode(*, shared: bool) -> int:
    """Return the mode of a file in an archive."""
    return SHARED_FILE if shared else PRIVATE_FILE


def let_in(folder: Path, *, shared: bool, group: int | None = None) -> None:
    """Give a folder and all that is in it the modes of an archive; links are left alone.

    `group`: the number of the group that all of it is given to.

    Raises:
        OSError: it is another account's, or this one is not of that group.
    """
    for _, _, files, handle in os.fwalk(folder, follow_symlinks=False):
        _open_to(handle, SHARED_FOLDER if shared else PRIVATE_FOLDER, group)
        for name in files:
            if not stat.S_ISREG(os.lstat(name, dir_fd=handle).st_mode):
                continue
            file = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK, dir_fd=handle)
            try:
                _open_to(file, file_mode(shared=shared), group)
            finally:
                os.close(file)


def _open_to(handle: int, mode: int, group: int | None) -> None:
    if group is not None:
        os.fchown(handle, -1, group)
    os.fchmod(handle, mode)
