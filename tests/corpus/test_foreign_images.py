"""Disk images that nobody here made, against the figures of independent programs.

Each figure of `expected.json` names its program: sfdisk, sgdisk, blkid, dumpe2fs, fsck.fat,
dump.exfat, ntfsinfo, debugfs, libfsntfs. Rows marked `firm` are asserted whole; of the others
(damaged on purpose, or seen by one program only) what identifies the filesystem is.
"""

from __future__ import annotations

import hashlib
import json
import lzma
import os
import subprocess
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.conftest import REPOSITORY, corpus_folder
from tests.support.drives import write_sparse
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions
from verify.errors import OnePartition
from verify.filesystem.ntfs.listing import NtfsListing
from verify.filesystem.open import open_volume
from verify.source.drive import Drive, open_drive
from verify.source.window import Window

if TYPE_CHECKING:
    from verify.manifest.header import Header, Partition

NO_DRIVES = {
    "hive-": "a registry hive",
    "xml-": "a text file",
    "mft-": "a file table without its volume",
    "pt-gptpart-": "a dump of a table's entries",
}
"""Images of the collection that are parts of drives, and no drives."""

KINDS = {
    "vfat": {"fat12", "fat16", "fat32"},
    "crypto_LUKS": {"luks"},
    "BitLocker": {"bitlocker"},
    "LVM2_member": {"lvm"},
}
"""What blkid calls a kind, where it is another name."""

EXPLAINED: dict[tuple[str, str, str], str] = {
    ("ul-exfat", "whole image", "free_bytes"): (
        "dump.exfat counts clusters to the end of the bitmap's last byte or stops one bit early;"
        " the bitmap itself has one more clear bit among its ClusterCount bits"
    ),
}
"""Figures that differ from this tool's, with the reason why this tool's stands."""


def collection() -> Path:
    """Return the folder of the images: the large collection, or the part the repository carries."""
    named = "DRIVEWITNESS_CORPUS" in os.environ  # one that is named and missing is an error
    return corpus_folder() if named else REPOSITORY / "fixtures" / "foreign"


@cache
def images() -> dict[str, dict[str, Any]]:
    """Return the rows of the collection."""
    rows = json.loads((collection() / "expected.json").read_text(encoding="utf-8"))["images"]
    return {name: row for name, row in rows.items() if not name.startswith(tuple(NO_DRIVES))}


def unpacked(row: dict[str, Any], folder: Path) -> Path:
    """Unpack an image, and extend a head of a drive to the length its drive had."""
    packed, path = collection() / row["file"], folder / "drive.img"
    if row["stored_as"] == "xz":
        with lzma.open(packed) as file:
            write_sparse(iter(lambda: file.read(1 << 20), b""), path)
    elif row["stored_as"] == "raw":
        path.write_bytes(packed.read_bytes())
    else:
        subprocess.run(["tar", "-xSJf", packed, "-C", folder], check=True)
        (found,) = [item for item in folder.iterdir() if item.is_file()]
        found.rename(path)
    if row.get("extend_to_bytes"):
        with path.open("r+b") as file:
            file.truncate(row["extend_to_bytes"])
    return path


def read(path: Path, manifest: Path) -> Header:
    """Capture an image; as one partition where its boot sector records a start on a drive."""
    try:
        return capture(str(path), manifest, CaptureOptions(depth="layout"))
    except OnePartition:
        options = CaptureOptions(depth="layout", given_as="partition")
        return capture(str(path), manifest, options)


def captured(row: dict[str, Any], folder: Path) -> Header:
    """Capture an image's tables, filesystems and listing."""
    path = unpacked(row, folder)
    return read(path, folder / "manifest")


def partition_of(header: Header, where: str) -> Partition:
    """Return the partition that a row of the collection is about."""
    number = 0 if where == "whole image" else int(where.rsplit(maxsplit=1)[-1])
    partition = header.partition(number)
    assert partition is not None, f"{where} was not found"
    return partition


def window_of(drive: Drive, header: Header, partition: Partition) -> Window:
    """Return where a partition lies, cut where the image ends."""
    start = partition.start_lba * header.table.sector_bytes
    size = partition.sectors * header.table.sector_bytes if partition.number else None
    return Window(drive, start, min(size or drive.size_bytes, drive.size_bytes - start), 512)


def names(*, with_table: bool = False, listed: bool = False, kind: str | None = None) -> list[str]:
    """Return the images that have what a test is about."""
    rows = [
        (name, row)
        for name, row in images().items()
        if kind is None or kind in str(row.get("filesystems")).lower()
    ]
    if with_table:
        return [name for name, row in rows if (row.get("partition_table") or {}).get("partitions")]
    if listed:
        return [name for name, row in rows if _firm_listings(row)]
    return [name for name, row in rows if row.get("filesystems")]


def _firm_listings(row: dict[str, Any]) -> dict[str, str]:
    """Return the listing of each place whose figures are firm."""
    found = {}
    for listing in row.get("listings") or ():
        stem = Path(listing).name.removesuffix(".tsv.xz")
        tail = stem.rpartition(".p")[2] if ".p" in stem else ""
        where = f"partition {tail}" if tail.isdigit() else "whole image"
        if any(item["where"] == where and item.get("firm") for item in row["filesystems"]):
            found[where] = listing
    return found


def test_collection_when_it_is_there_then_it_has_its_images() -> None:
    """A lost collection must not pass as a tested one."""
    assert len(images()) >= (100 if collection() == corpus_folder() else 10)


@pytest.mark.parametrize("name", names(with_table=True))
def test_table_when_it_is_foreign_then_partitions_are_where_sfdisk_sees_them(
    name: str, tmp_path: Path
) -> None:
    """Scheme, identity, starts, sizes, types, GUIDs and names (sfdisk -J)."""
    row = images()[name]
    table = row["partition_table"]
    header = captured(row, tmp_path)
    if table["scheme"] not in {"gpt", "dos"}:
        # NOTE: BSD, SGI and Sun labels are no tables of this tool: it says so, and guesses nothing.
        assert header.table.scheme == "none"
        return
    assert header.table.scheme == {"gpt": "gpt", "dos": "mbr"}[table["scheme"]]
    wanted_id = table["disk_id"].removeprefix("0x").upper()
    assert header.table.disk_id == wanted_id
    ours = {item.number: item for item in header.partitions}
    assert set(ours) == {item["index"] for item in table["partitions"]}
    for item in table["partitions"]:
        mine = ours[item["index"]]
        assert (mine.start_lba, mine.sectors) == (item["start_lba"], item["sectors"])
        if table["scheme"] == "dos":
            assert mine.type == f"{int(item['type'], 16):02X}"
            assert mine.active == bool(item.get("bootable"))
        elif "-" in item["type"]:
            assert mine.type == item["type"].upper()
        if item.get("uuid"):
            assert mine.guid == item["uuid"].upper()
        if item.get("name"):
            assert mine.name == item["name"]


@pytest.mark.parametrize("name", names())
def test_filesystem_when_it_is_foreign_then_it_is_what_other_programs_say(
    name: str, tmp_path: Path
) -> None:
    """Kind and identity of all; label, free space and counts of the firm ones."""
    row = images()[name]
    header = captured(row, tmp_path)
    for expected in row["filesystems"]:
        partition = partition_of(header, expected["where"])
        _hold_filesystem(name, expected, partition)


def _hold_filesystem(name: str, expected: dict[str, Any], partition: Partition) -> None:
    where, filesystem = expected["where"], partition.filesystem
    kind = expected["kind"].get("value")
    if kind is not None and kind in _KNOWN:
        assert filesystem.kind in KINDS.get(kind, {kind}), where
    if not expected.get("firm"):
        return
    mine = {
        "label": filesystem.label,
        "uuid_or_serial": (filesystem.id or "").upper(),
        "free_bytes": filesystem.free_bytes,
        "file_count": partition.listing.files if partition.listing else None,
        "directory_count": partition.listing.folders if partition.listing else None,
    }
    for field, value in mine.items():
        wanted = (expected.get(field) or {}).get("value")
        if wanted is None or (name, where, field) in EXPLAINED:
            continue
        wanted = wanted.upper() if field == "uuid_or_serial" else wanted
        assert value == wanted, f"{where}: {field} ({expected[field].get('tool')})"


_KNOWN = {"ntfs", "vfat", "exfat", "ext2", "ext3", "ext4", "xfs", "btrfs", "swap", "apfs"} | set(
    KINDS
)


@pytest.mark.parametrize("name", names(listed=True))
def test_contents_when_they_are_foreign_then_every_byte_is_what_another_reader_gave(
    name: str, tmp_path: Path
) -> None:
    """Each firm listing, name by name: kind, size and SHA-256 of what this tool reads."""
    row = images()[name]
    path = unpacked(row, tmp_path)
    header = read(path, tmp_path / "manifest")
    for where, listing in _firm_listings(row).items():
        partition = partition_of(header, where)
        with open_drive(path) as drive:
            window = window_of(drive, header, partition)
            volume = open_volume(window, partition.filesystem.kind)
            ours = {}
            for entry in volume.entries():
                kind = {"file": "f", "folder": "d", "link": "l"}.get(entry.kind, "o")
                digest = "-"
                if kind == "f" and entry.size <= 64 << 20:
                    pieces = (
                        volume.read(entry, at, min(1 << 20, entry.size - at))
                        for at in range(0, entry.size, 1 << 20)
                    )
                    hasher = hashlib.sha256()
                    for piece in pieces:
                        hasher.update(piece)
                    digest = hasher.hexdigest()
                ours[entry.path] = (kind, entry.size, digest)
        theirs = _read_listing(collection() / "listings" / Path(listing).name)
        files = {path: row for path, row in ours.items() if row[0] == "f"}
        assert files.keys() == {path for path, row in theirs.items() if row[0] == "f"}
        for entry_path, (_, size, digest) in files.items():
            _, wanted_size, wanted = theirs[entry_path]
            assert size == wanted_size, entry_path
            assert wanted in {digest, "-"}, entry_path


@pytest.mark.parametrize("name", names(listed=True, kind="ntfs"))
def test_index_when_a_volume_is_foreign_then_it_names_what_the_library_walks(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Folders that Windows wrote: each index is whole, and every entry is the library's."""
    row = images()[name]
    path = unpacked(row, tmp_path)
    header = read(path, tmp_path / "manifest")
    for where in _firm_listings(row):
        partition = partition_of(header, where)
        if partition.filesystem.kind != "ntfs":
            continue
        with open_drive(path) as drive:
            window = window_of(drive, header, partition)
            own = NtfsListing(window)
            assert own.records is not None
            own.records.many = True
            with monkeypatch.context() as patch:
                patch.setattr(NtfsListing, "_by_library", None)
                found = list(own.entries())
            alone = NtfsListing(window)
            alone.records = None
            assert found == list(alone.entries())


def _read_listing(path: Path) -> dict[str, tuple[str, int, str]]:
    rows = {}
    with lzma.open(path, "rt", encoding="utf-8", errors="surrogateescape", newline="\n") as file:
        for line in file:
            kind, name, size, digest, _ = line.rstrip("\n").split("\t")
            rows[name] = (kind, int(size), digest)
    return rows
