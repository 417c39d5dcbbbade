"""The plain programs that the tool is measured against: each does one thing and nothing else."""

from __future__ import annotations

import gzip
import json
import sys
from typing import TYPE_CHECKING, Any

import pytsk3
from blake3 import blake3

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

STEP = 1 << 20


def _files(image: str) -> Iterator[tuple[Any, Any]]:
    """Yield (volume, item) of every allocated name, by the library alone."""
    volume = pytsk3.FS_Info(pytsk3.Img_Info(image))
    folders = [volume.info.root_inum]
    seen = set(folders)
    while folders:
        for item in volume.open_dir(inode=folders.pop()):
            name, meta = item.info.name, item.info.meta
            if meta is None or name.name in {b".", b".."} or not int(name.flags) & 1:
                continue
            if int(meta.type) == pytsk3.TSK_FS_META_TYPE_DIR and meta.addr not in seen:
                seen.add(meta.addr)
                folders.append(meta.addr)
            yield volume, item


def walk(image: str) -> None:
    """Walk every name, with its attributes and runs."""
    for _, item in _files(image):
        for attribute in item:
            for run in attribute:
                _ = run.addr, run.len


def hash_files(image: str) -> None:
    """Read and hash every file in the order of the walk."""
    for _, item in _files(image):
        size = int(item.info.meta.size)
        if (
            int(item.info.meta.type) != pytsk3.TSK_FS_META_TYPE_REG
            or item.info.name.name[:1] == b"$"
        ):
            continue
        hasher = blake3()
        for offset in range(0, size, STEP):
            hasher.update(item.read_random(offset, min(STEP, size - offset)))
        hasher.hexdigest()


def rows(*manifests: str) -> None:
    """Unpack and parse every row."""
    for path in manifests:
        with gzip.open(path, "rb") as file:
            for line in file:
                json.loads(line)


PLAIN: dict[str, Callable[..., None]] = {
    "walk": walk,
    "hash": hash_files,
    "rows": rows,
}

if __name__ == "__main__":
    PLAIN[sys.argv[1]](*sys.argv[2:])
