"""A process that works for another one ends with it, however that one ends."""

from __future__ import annotations

import os
import threading
from typing import TYPE_CHECKING

from verify.platforms.this import PLATFORM

if TYPE_CHECKING:
    from collections.abc import Callable


def end_with_parent(watched: int | None = None) -> None:
    """End this process at once when its parent is gone.

    Linux and Windows do so by themselves. `watched`: the reading end of a pipe that the parent
    holds open and writes nothing more to, which works anywhere but on Windows: there every
    library that is loaded asks of which sort standard input is, and waits behind the read.
    """
    PLATFORM.end_with_parent()
    if watched is not None and PLATFORM.watches_pipes:
        threading.Thread(target=_end_with_pipe, args=(watched,), daemon=True).start()


def end_with_pool() -> None:
    """End a process of a pool when the one that has the pool is gone."""
    import multiprocessing  # noqa: PLC0415 - readers have no need of it

    end_with_parent()
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_after, args=(parent.join,), daemon=True).start()


def _end_after(wait: Callable[[], None]) -> None:
    wait()
    os._exit(1)


def _end_with_pipe(watched: int) -> None:
    try:
        while os.read(watched, 4096):
            pass
    except OSError:
        pass
    os._exit(1)
