"""Drives in containers that nobody here made, against what qemu-img and ewfexport give of them.

`expected.json` of the collection has for each container the length and digests of its raw bytes,
by a program of others (`raw.by`); rows marked `firm` were read alike by a second one.
"""

from __future__ import annotations

import json
import lzma
from functools import cache
from typing import TYPE_CHECKING, Any

import pytest
from blake3 import blake3

from tests.conftest import corpus_folder
from tests.support.drives import write_sparse
from verify.errors import SourceError, SourceUnreadable
from verify.source.drive import open_drive

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

STEP = 1 << 20

NOT_READ = frozenset({"qcow", "qcow2", "vdi"})
"""Kinds that are refused whatever is in them, though other programs read them."""

TOO_LARGE_TO_HASH = 16 << 30
"""Of a larger drive its length is held, and both ends; a test would hash zeros for minutes."""


def collection() -> Path:
    """Return the folder of containers, which lies beside that of the images."""
    return corpus_folder().parent / "containers"


@cache
def rows() -> dict[str, dict[str, Any]]:
    """Return the rows of the collection; none where there is no collection."""
    path = collection() / "expected.json"
    found = json.loads(path.read_text("utf-8"))["containers"] if path.exists() else {}
    return dict(found)


def is_refused(row: dict[str, Any]) -> bool:
    """Whether it has to be refused here: as damaged, or as of a kind that is not read."""
    return (
        row["kind"] in NOT_READ
        or row["expect"] in ("refused", "replay_or_refuse")
        or (row["expect"] == "read_or_refuse")
    )


def names(*, refused: bool) -> list[str]:
    """Return the containers that have to be refused, or those that have to be read."""
    return [
        name
        for name, row in rows().items()
        if is_refused(row) == refused and row["expect"] != "damaged"
    ]


def unpacked(name: str, folder: Path) -> Path:
    """Unpack all files of a container, and return the one to open."""
    row = rows()[name]
    for file in row["files"]:
        packed, path = collection() / file["stored"], folder / file["name"]
        if file["stored"].endswith(".xz"):
            with lzma.open(packed) as stored:
                write_sparse(iter(lambda: stored.read(STEP), b""), path)
        else:
            path.write_bytes(packed.read_bytes())
    return folder / str(row["open"])


def contents(path: Path) -> Iterator[bytes]:
    """Yield the bytes of a drive."""
    with open_drive(path, retries=0) as drive:
        for offset in range(0, drive.size_bytes, STEP):
            yield drive.read_at(offset, min(STEP, drive.size_bytes - offset))


def test_collection_when_it_is_there_then_it_has_its_containers() -> None:
    """A lost collection must not pass as a tested one."""
    if not (collection() / "expected.json").exists():
        pytest.skip("DRIVEWITNESS_CORPUS names no folder beside containers")
    assert len(names(refused=False)) >= 40
    assert len(names(refused=True)) >= 20


@pytest.mark.parametrize("name", names(refused=False))
def test_container_when_it_is_whole_then_it_is_read_as_by_others(name: str, tmp_path: Path) -> None:
    """Byte for byte what qemu-img convert, ewfexport or joining the pieces gives."""
    path, raw = unpacked(name, tmp_path), rows()[name]["raw"]
    with open_drive(path) as drive:
        assert drive.size_bytes == raw["bytes"]
        assert drive.image is not None
        if drive.size_bytes > TOO_LARGE_TO_HASH:
            assert len(drive.read_at(0, STEP)) == len(drive.read_at(raw["bytes"] - STEP, STEP))
            return
    digest = blake3()
    for piece in contents(path):
        digest.update(piece)
    assert digest.hexdigest() == raw["blake3"]


@pytest.mark.parametrize("name", names(refused=True))
def test_container_when_it_must_not_be_read_then_one_sentence_says_why(
    name: str, tmp_path: Path
) -> None:
    """Named error (exit 4), one sentence, and advice."""
    with pytest.raises(SourceError) as caught:
        open_drive(unpacked(name, tmp_path))
    assert caught.value.exit_code == 4
    assert str(caught.value).count(". ") == 0
    assert caught.value.hint()


@pytest.mark.parametrize(
    "name", [name for name, row in rows().items() if row["expect"] == "damaged"]
)
def test_container_when_a_chunk_fails_its_checksum_then_it_is_unreadable_and_not_zeros(
    name: str, tmp_path: Path
) -> None:
    """A library gives zeros for it, without an error; the rest is read."""
    with open_drive(unpacked(name, tmp_path), retries=0) as drive:
        with pytest.raises(SourceUnreadable):
            drive.read_at(0, STEP)
        assert drive.unreadable == [(at, 512) for at in range(0, 32_768, 512)]
        assert drive.read_at(32_768, drive.size_bytes - 32_768)
