"""Losses that are put into a copy, one each: what a clone that failed leaves, times and all.

Nothing else of the copy changes: folders keep their times, as they do where a name was never
copied.
"""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager
from typing import TYPE_CHECKING

from tests.end_to_end.running_trees import DAY, KEEP_EVERY, NUMBERS, Life
from tests.end_to_end.running_volumes import Ntfs
from tests.support.images import run

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

BLOCK = 4096
RENAMED = NUMBERS - KEEP_EVERY
"""The number of the files that are renamed on the old drive in the end."""


def lose(life: Life, image: Path, what: str, path: str) -> None:
    """Put one loss into an image. `what`: a key of `LOSSES`."""
    LOSSES[what](life, image, path)


def _missing(life: Life, image: Path, path: str) -> None:
    with _opened(life, image) as edit:
        edit.remove(path)


def _folder_missing(life: Life, image: Path, path: str) -> None:
    with _opened(life, image) as edit:
        for file in sorted(life.files):
            if file.startswith(f"{path}/"):
                edit.remove(file)
        edit.remove(path)


def _zeros(life: Life, image: Path, path: str) -> None:
    _overwrite(image, life.files[path], bytes(len(life.files[path])))


def _one_byte(life: Life, image: Path, path: str) -> None:
    data = bytearray(life.files[path])
    data[100] ^= 0xFF
    _overwrite(image, life.files[path], bytes(data))


def _cut(life: Life, image: Path, path: str) -> None:
    with _opened(life, image) as edit:
        edit.cut(path)


def _earlier(life: Life, image: Path, path: str) -> None:
    _one_byte(life, image, path)
    with _opened(life, image) as edit:
        edit.date_back(path)


LOSSES: dict[str, Callable[[Life, Path, str], None]] = {
    "missing": _missing,
    "folder missing": _folder_missing,
    "zeros": _zeros,
    "one byte": _one_byte,
    "cut": _cut,
    "earlier version": _earlier,
}


def _overwrite(image: Path, before: bytes, after: bytes) -> None:
    """Replace contents block by block, wherever the volume put each."""
    whole = image.read_bytes()
    with image.open("r+b") as file:
        for at in range(0, len(before), BLOCK):
            file.seek(whole.index(before[at : at + BLOCK]))
            file.write(after[at : at + BLOCK])


class _Debugfs:
    """Edits of an ext4 volume that is mounted nowhere: no time changes by itself."""

    def __init__(self, image: Path) -> None:
        self.image = image

    def ask(self, request: str) -> str:
        return run("debugfs", "-w", "-R", request, self.image)

    def remove(self, path: str) -> None:
        folder = "Type: directory" in self.ask(f'stat "{path}"')
        self.ask(f'{"rmdir" if folder else "rm"} "{path}"')

    def cut(self, path: str) -> None:
        self.ask(f'punch "{path}" 2')
        self.ask(f'sif "{path}" size {2 * BLOCK}')

    def date_back(self, path: str) -> None:
        stat = self.ask(f'stat "{path}"')
        seconds = int(stat.split("mtime: 0x")[1][:8], 16) - DAY
        for name in ("mtime", "ctime"):
            self.ask(f'sif "{path}" {name} @{seconds}')


class _Mounted:
    """Edits of an NTFS volume through ntfs-3g, which set the times back to what they were."""

    def __init__(self, volume: Ntfs) -> None:
        self.volume = volume

    @contextmanager
    def keeping(self, path: str, back: int = 0) -> Iterator[Path]:
        place = self.volume.place(path)
        times = place.stat()
        yield place
        self.volume.at(times.st_ctime_ns // 10**9 - back)
        os.utime(place, ns=(times.st_atime_ns, times.st_mtime_ns - back * 10**9))
        after = place.stat()
        assert after.st_mtime_ns == times.st_mtime_ns - back * 10**9
        assert after.st_ctime_ns == times.st_ctime_ns - back * 10**9

    def remove(self, path: str) -> None:
        folder, _, name = path.rpartition("/")
        with self.keeping(folder or "/") as place:
            one = place / name
            one.rmdir() if one.is_dir() else one.unlink()

    def cut(self, path: str) -> None:
        with self.keeping(path) as place:
            os.truncate(place, 2 * BLOCK)

    def date_back(self, path: str) -> None:
        with self.keeping(path, back=DAY):
            pass


@contextmanager
def _opened(life: Life, image: Path) -> Iterator[_Debugfs | _Mounted]:
    volume = life.volume
    if not isinstance(volume, Ntfs):
        yield _Debugfs(image)
        return
    edited = Ntfs(image, volume.root, volume.dice, volume.now)
    edited.mount(image)
    try:
        yield _Mounted(edited)
    finally:
        edited.stop()


def copied(image: Path) -> Path:
    """Copy an image, sparsely, to be damaged."""
    return shutil.copyfile(image, image.with_name("lossy.img"))
