"""A manifest is whole or it is named as what it is: cut, altered, foreign, or too new."""

from __future__ import annotations

import gzip
import json
import os
import random
from typing import TYPE_CHECKING

import pytest
from blake3 import blake3

from tests.manifest.headers import small_header
from verify.errors import (
    ManifestAltered,
    ManifestError,
    ManifestForeign,
    ManifestTooNew,
    ManifestTruncated,
    OutputError,
    SourceMissing,
)
from verify.filesystem.entry import Entry
from verify.manifest.file import is_manifest, open_manifest, write_manifest
from verify.manifest.row import Block, encode_block, encode_entry
from verify.manifest.segment import NO_HEAD

if TYPE_CHECKING:
    from pathlib import Path

ENTRIES = [
    Entry("folder", "/a", node=2),
    Entry("file", "/a/no-text-\udcff", size=10, node=3, digest="ab" * 32),
    Entry("file", "/b", size=20, node=4),
]
BLOCKS = [Block(0, "cd" * 32), Block(7, None)]


@pytest.fixture
def manifest(tmp_path: Path) -> Path:
    """Write a small manifest: partition 0 with entries, partition 3 with blocks."""
    entries, blocks = tmp_path / "entries", tmp_path / "blocks"
    entries.write_bytes(b"".join(map(encode_entry, ENTRIES)))
    blocks.write_bytes(b"".join(map(encode_block, BLOCKS)))
    path = tmp_path / "old.manifest"
    write_manifest(path, small_header(), {0: entries, 3: blocks, 5: None}, replace=True)
    return path


def sealed(lines: list[bytes]) -> bytes:
    """Return lines with a right trailer, packed: what somebody could write who means harm."""
    trailer = {"trailer": {"rows": len(lines), "blake3": blake3(b"".join(lines)).hexdigest()}}
    return gzip.compress(
        b"".join([*lines, json.dumps(trailer, separators=(",", ":")).encode()]) + b"\n"
    )


def test_manifest_when_written_and_read_then_header_and_rows_are_the_same(manifest: Path) -> None:
    """Names that are no text included; each partition has its own rows."""
    read = open_manifest(manifest)
    assert read.header == small_header()
    assert list(read.entries(0)) == ENTRIES
    assert list(read.blocks(3)) == BLOCKS
    assert list(read.entries(3)) == list(read.entries(5)) == list(read.entries(9)) == []
    assert is_manifest(manifest)


def test_manifest_when_there_are_more_rows_than_fit_in_a_lot_then_none_is_lost(
    tmp_path: Path,
) -> None:
    """With pieces that begin anywhere, long ones and short ones, and without any."""
    chance = random.Random(1)
    plain = [Entry("file", f"/{'n' * 300}{number:06}", node=number) for number in range(9_000)]
    lines = [encode_entry(entry) for entry in plain]
    headed = [
        line for row in lines for line in ((NO_HEAD, row) if chance.random() < 0.001 else (row,))
    ]
    for rows in (lines, headed, [NO_HEAD, *lines], []):
        (tmp_path / "rows").write_bytes(b"".join(rows))
        write_manifest(
            tmp_path / "m", small_header(), {0: tmp_path / "rows", 1: None}, replace=True
        )
        manifest = open_manifest(tmp_path / "m")
        assert list(manifest.entries(0)) == (plain if rows else [])
        assert len(manifest.parts) == 4 + rows.count(NO_HEAD)


def test_manifest_when_cut_anywhere_then_it_is_never_taken_for_whole(
    manifest: Path, tmp_path: Path
) -> None:
    """Every length short of the whole, the gzip trailer's last byte included."""
    whole, cut = manifest.read_bytes(), tmp_path / "cut"
    for length in range(len(whole)):
        cut.write_bytes(whole[:length])
        with pytest.raises(ManifestError):
            open_manifest(cut)


def test_manifest_when_its_rows_are_cut_then_it_is_said_to_be_truncated(
    manifest: Path, tmp_path: Path
) -> None:
    """Cut in the unpacked text, packed again: the error tells how far it goes."""
    lines = gzip.decompress(manifest.read_bytes()).splitlines(keepends=True)
    cut = tmp_path / "cut"
    cut.write_bytes(gzip.compress(b"".join(lines[:3])))
    with pytest.raises(ManifestTruncated) as caught:
        open_manifest(cut)
    assert caught.value.rows == 3


def test_manifest_when_any_byte_is_flipped_then_it_is_never_taken_for_whole(
    manifest: Path, tmp_path: Path
) -> None:
    """The file's own bytes, but for bits that carry nothing (gzip's head, padding at the end)."""
    whole, altered = manifest.read_bytes(), tmp_path / "altered"
    accepted = []
    for at in range(len(whole)):
        data = bytearray(whole)
        data[at] ^= 0x20
        altered.write_bytes(data)
        try:
            open_manifest(altered)
        except ManifestError:
            continue
        accepted.append(at)
        assert gzip.decompress(data) == gzip.decompress(whole)
    # gzip's time, system and level (RFC 1952) and one byte of padding, in each member
    assert len(accepted) <= 8 * len(open_manifest(manifest).parts)


def test_manifest_when_a_row_is_altered_then_its_digest_tells(
    manifest: Path, tmp_path: Path
) -> None:
    """Packed again with care, the trailer left as it was."""
    text = gzip.decompress(manifest.read_bytes()).replace(b'"size":20', b'"size":21')
    altered = tmp_path / "altered"
    altered.write_bytes(gzip.compress(text))
    with pytest.raises(ManifestAltered, match="digest"):
        open_manifest(altered)


def test_manifest_when_something_follows_its_trailer_then_it_is_altered(
    manifest: Path, tmp_path: Path
) -> None:
    """Nothing comes after the trailer."""
    longer = tmp_path / "longer"
    longer.write_bytes(manifest.read_bytes() + gzip.compress(b"more\n"))
    with pytest.raises(ManifestAltered, match="end"):
        open_manifest(longer)


def test_manifest_when_its_schema_is_later_then_both_versions_are_named(tmp_path: Path) -> None:
    """Written by a later version: read it with that."""
    later = tmp_path / "later"
    later.write_bytes(sealed([b'{"schema":"drivewitness.manifest/2"}\n']))
    with pytest.raises(ManifestTooNew, match=r"manifest/2.*manifest/1"):
        open_manifest(later)
    assert is_manifest(later)


def test_manifest_when_its_rows_are_nonsense_under_a_right_digest_then_it_is_altered(
    tmp_path: Path,
) -> None:
    """A digest keeps accidents out, not malice: rows are looked at as they are read."""
    header = small_header().model_dump_json(by_alias=True).encode() + b"\n"
    path = tmp_path / "nonsense"
    path.write_bytes(sealed([header, b'{"partition":0}\n', b'{"kind":"file","path":9}\n']))
    manifest = open_manifest(path)
    with pytest.raises(ManifestAltered, match="row"):
        list(manifest.entries(0))


def test_manifest_when_its_header_lacks_a_field_then_the_field_is_named(tmp_path: Path) -> None:
    """The header is held against its model."""
    path = tmp_path / "lacking"
    path.write_bytes(sealed([b'{"schema":"drivewitness.manifest/1","depth":"deep"}\n']))
    with pytest.raises(ManifestAltered, match="depth"):
        open_manifest(path)


@pytest.mark.parametrize(
    "data",
    [b"", b"text", gzip.compress(b""), gzip.compress(b"text\n"), gzip.compress(b"{}\n")],
    ids=["nothing", "text", "gzip of nothing", "gzip of text", "gzip of an object"],
)
def test_manifest_when_it_is_another_file_then_it_is_foreign(data: bytes, tmp_path: Path) -> None:
    """Text, nothing, or another gzip file."""
    path = tmp_path / "other"
    path.write_bytes(data)
    assert not is_manifest(path)
    with pytest.raises((ManifestForeign, ManifestTruncated)):
        open_manifest(path)


def test_manifest_when_it_is_not_there_then_that_is_said(tmp_path: Path) -> None:
    """A missing file is no damaged manifest."""
    assert not is_manifest(tmp_path / "absent")
    with pytest.raises(SourceMissing):
        open_manifest(tmp_path / "absent")


def test_writing_when_the_disk_fails_then_nothing_stands_under_the_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither a half manifest nor what it was called before: the folder is as it was."""

    def full(_: int) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr("verify.whole_file.os.fsync", full)
    with pytest.raises(OutputError, match="no space left"):
        write_manifest(tmp_path / "new.manifest", small_header(), {})
    assert list(tmp_path.iterdir()) == []


def test_writing_when_the_folder_is_not_there_then_it_is_an_output_error(tmp_path: Path) -> None:
    """One sentence, no traceback."""
    with pytest.raises(OutputError):
        write_manifest(tmp_path / "absent" / "new.manifest", small_header(), {})


def test_writing_when_done_twice_then_the_bytes_are_the_same(tmp_path: Path) -> None:
    """Nothing of the moment of writing is in the file."""
    for name in ("one", "two"):
        write_manifest(tmp_path / name, small_header(), {})
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()
