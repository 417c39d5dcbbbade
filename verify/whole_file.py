"""Files that are there whole or not at all: another name first, synced, then renamed."""

from __future__ import annotations

import os
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING

from verify.errors import OutputError

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextmanager
def whole_file(path: Path) -> Iterator[IO[bytes]]:
    """Give a file to write to; it gets its name once all of it is on disk.

    Raises:
        OutputError: it could not be written; nothing new stands under `path` then.
    """
    temporary: Path | None = None
    try:
        folder = path.resolve().parent
        handle, made = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".partial", dir=folder)
        temporary = Path(made)
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        temporary.chmod(0o666 & ~_umask())
        temporary.replace(path)
        temporary = None
        sync_folder(folder)
    except OSError as error:
        raise OutputError(str(path), error.strerror or str(error)) from error
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def sync_folder(folder: Path) -> None:
    """Put the new name itself on disk, where the system lets a folder be synced."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
