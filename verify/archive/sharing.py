"""Who may read an archive: its owner alone, or every account of its group.

It is its owner's alone unless `jobs share` said otherwise, which is stored in its `archive.json`.
In a shared one the folders hand on their group (setgid, chmod(1)), so that whoever files a job
there files it for all.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.platforms.this import PLATFORM
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
    modes = file_mode(shared=shared), SHARED_FOLDER if shared else PRIVATE_FOLDER
    PLATFORM.let_in(folder, modes, group)
