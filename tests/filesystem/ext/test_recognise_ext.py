"""ext filesystems made by mke2fs against dumpe2fs, blkid and the layout's arithmetic."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from tests.filesystem.made import blkid, described, make, number, patch, run

if TYPE_CHECKING:
    from pathlib import Path

VARIANTS = {
    "ext2": ("ext2", ()),
    "ext3": ("ext3", ()),
    "ext4": ("ext4", ()),
    "ext4-4k": ("ext4", ("-b", "4096")),
    "ext4-64k-blocks": ("ext4", ("-b", "65536")),
    "ext4-32bit": ("ext4", ("-O", "^64bit")),
    "ext4-without-checksums": ("ext4", ("-O", "^metadata_csum,uninit_bg")),
    "ext4-without-flex": ("ext4", ("-O", "^flex_bg", "-b", "1024")),
    "ext4-meta-bg": ("ext4", ("-O", "meta_bg,^resize_inode", "-b", "1024")),
    "ext4-bigalloc": ("ext4", ("-O", "bigalloc", "-b", "1024", "-C", "16384")),
    "ext4-bigalloc-4k": ("ext4", ("-O", "bigalloc", "-b", "4096", "-C", "65536")),
    "ext4-sparse-super2": ("ext4", ("-O", "sparse_super2", "-b", "1024")),
    "ext4-all-superblocks": ("ext4", ("-O", "^sparse_super,^resize_inode", "-b", "1024")),
    "ext4-small-groups": ("ext4", ("-g", "256", "-b", "1024")),
    "ext2-revision-0": ("ext2", ("-r", "0", "-b", "1024")),
}


def volume(folder: Path, kind: str, *options: str) -> Path:
    """A fresh filesystem of 64 MiB, filled by a few files."""
    tree = folder / "tree"
    tree.mkdir()
    for index in range(20):
        (tree / f"file{index}").write_bytes(b"x" * 30_000)
    return make(folder, "64M", "mke2fs", "-q", "-F", "-t", kind, "-d", tree, *options)


@pytest.mark.tools("mke2fs", "dumpe2fs", "blkid")
@pytest.mark.parametrize("variant", VARIANTS)
def test_description_when_freshly_made_then_agrees_with_dumpe2fs_and_blkid(
    tmp_path: Path, variant: str
) -> None:
    """What the bitmaps count is what dumpe2fs sums, in every layout mke2fs can make."""
    kind, options = VARIANTS[variant]
    image = volume(tmp_path, kind, "-L", "work", *options)

    found = described(image)

    told, seen = run("dumpe2fs", "-h", image), blkid(image)
    block = number(r"Block size:\s+(\d+)", told)
    free = number(r"Free blocks:\s+(\d+)", told) * block
    assert (found.kind, found.label) == (seen["TYPE"], seen["LABEL"])
    assert (found.id or "").lower() == seen["UUID"]
    assert found.size_bytes == number(r"Block count:\s+(\d+)", told) * block
    assert (found.free_bytes, found.free_hint_bytes) == (free, free)
    assert (found.clean, found.state, found.unread) == (True, (), ())
    cluster = number(r"Cluster size:\s+(\d+)", told) if "bigalloc" in variant else block
    assert found.cluster_bytes == cluster
    features = next(line for line in told.splitlines() if line.startswith("Filesystem features:"))
    words = set(features.split()[2:]) - {"(none)"}
    assert set(found.features) == words


@pytest.mark.tools("mke2fs", "dumpe2fs")
@pytest.mark.parametrize(
    "variant", ["ext4-without-flex", "ext4-all-superblocks", "ext2-revision-0"]
)
def test_backup_when_freshly_made_then_stands_where_dumpe2fs_says(
    tmp_path: Path, variant: str
) -> None:
    """Group 1 holds the first copy; with blocks of 1 KiB that is block 8193."""
    kind, options = VARIANTS[variant]
    image = volume(tmp_path, kind, *options)

    backup = described(image).backup

    assert backup is not None
    assert backup.state in {"same", "moved_only"}
    place = number(r"Backup superblock at (\d+)", run("dumpe2fs", image))
    assert (backup.offset, place) == (8193 * 1024, 8193)


@pytest.mark.tools("mke2fs", "tune2fs", "resize2fs", "e2fsck")
def test_backup_when_renamed_and_shrunk_then_still_stands_in(tmp_path: Path) -> None:
    """resize2fs and a new label or UUID leave a copy that e2fsck can use."""
    image = volume(tmp_path, "ext4")
    run("tune2fs", "-L", "newer", "-U", "11111111-2222-3333-4444-555555555555", image)
    run("e2fsck", "-f", "-p", image)
    run("resize2fs", image, "40M")

    found = described(image)

    assert (found.label, found.id) == ("newer", "11111111-2222-3333-4444-555555555555")
    assert found.size_bytes == 40 << 20
    assert found.backup is not None
    assert found.backup.state in {"same", "moved_only"}


@pytest.mark.tools("mke2fs")
@pytest.mark.parametrize(
    ("offset", "data", "state", "detail"),
    [
        (0x4, b"\x01\x00\x00\x00", "differs", "blocks_count_lo"),
        (0x68, bytes(16), "differs", "uuid"),
        (0x30, b"\x01\x00\x00\x00", "moved_only", None),
        (0x38, bytes(2), "missing", None),
    ],
)
def test_backup_when_altered_then_says_how(
    tmp_path: Path, offset: int, data: bytes, state: str, detail: str | None
) -> None:
    """super.rst: 0x4 blocks, 0x68 UUID, 0x30 time of the last write, 0x38 magic."""
    image = volume(tmp_path, "ext4", "-b", "1024")
    patch(image, 8193 * 1024 + offset, data)

    backup = described(image).backup

    assert backup is not None
    assert (backup.state, backup.detail) == (state, detail)


@pytest.mark.tools("mke2fs", "debugfs", "dumpe2fs")
@pytest.mark.parametrize(
    ("command", "word", "told"),
    [
        ("set_super_value state 0", "not-clean", "not clean"),
        ("set_super_value state 3", "errors", "with errors"),
        ("feature needs_recovery", "needs-recovery", "needs_recovery"),
    ],
)
def test_state_when_set_by_debugfs_then_not_clean(
    tmp_path: Path, command: str, word: str, told: str
) -> None:
    """dumpe2fs shows the same state; a journal that waits to be replayed is no clean one."""
    image = volume(tmp_path, "ext4")
    run("debugfs", "-w", "-R", command, image)

    found = described(image)

    assert told in run("dumpe2fs", "-h", image)
    assert (found.clean, found.state) == (False, (word,))


@pytest.mark.tools("mke2fs", "dumpe2fs")
def test_last_written_when_freshly_made_then_is_the_write_time(tmp_path: Path) -> None:
    """In seconds since 1970 UTC, as dumpe2fs prints it."""
    image = volume(tmp_path, "ext4")
    told = run("dumpe2fs", "-h", image)
    line = next(line for line in told.splitlines() if line.startswith("Last write time:"))
    stamp = " ".join(line.split()[3:])

    found = described(image).last_written

    when = datetime.strptime(stamp, "%a %b %d %H:%M:%S %Y").replace(tzinfo=UTC)
    assert found == int(when.timestamp())


@pytest.mark.tools("mke2fs", "dumpe2fs")
def test_free_space_when_a_bitmap_lies_outside_then_none_and_said(tmp_path: Path) -> None:
    """A filesystem longer than its partition: some bitmaps are not there to be counted."""
    image = volume(tmp_path, "ext4", "-b", "1024", "-O", "^flex_bg")
    run("truncate", "-s", "40M", image)

    found = described(image)

    assert found.kind == "ext4"
    assert found.size_bytes == 64 << 20
    assert found.free_bytes is None
    assert found.unread
    assert found.unread[0].what.startswith("block bitmap of group")


@pytest.mark.tools("mke2fs")
def test_digest_when_only_used_then_same(tmp_path: Path) -> None:
    """Counters, times and state change with every mount; what the filesystem is does not."""
    image = volume(tmp_path, "ext4")
    before = described(image).boot_sector_digest
    patch(image, 1024 + 0x30, b"\x01\x02\x03\x04")
    patch(image, 1024 + 0x34, b"\x09")
    used = described(image).boot_sector_digest
    patch(image, 1024 + 0x68, b"\x01\x02\x03\x04")

    assert used == before
    assert described(image).boot_sector_digest != before


@pytest.mark.tools("mke2fs", "blkid")
def test_kind_when_it_is_a_journal_alone_then_jbd(tmp_path: Path) -> None:
    """An external journal has a superblock of its own and no files; blkid calls it jbd."""
    image = make(tmp_path, "16M", "mke2fs", "-q", "-F", "-O", "journal_dev")

    found = described(image)

    assert found.kind == blkid(image)["TYPE"] == "jbd"
    assert (found.id or "").lower() == blkid(image)["UUID"]
    assert found.free_bytes is None


@pytest.mark.tools("mke2fs")
@pytest.mark.parametrize(("offset", "value"), [(0x0, 0), (0x0, 1), (0x20, 1)])
def test_free_space_when_a_bitmap_is_said_to_be_where_none_can_be_then_none(
    tmp_path: Path, offset: int, value: int
) -> None:
    """Block 0, the superblock's own block 1, and (0x20: the high half) a block past the end."""
    image = volume(tmp_path, "ext4", "-b", "1024")
    patch(image, 2 * 1024 + offset, value.to_bytes(4, "little"))

    found = described(image)

    assert found.free_bytes is None
    assert [item.what for item in found.unread] == ["block bitmap of group 0"]


@pytest.mark.tools("mke2fs", "dumpe2fs", "debugfs")
def test_description_when_it_was_mounted_written_and_checked_then_each_time_is_dumpe2fs_s(
    tmp_path: Path,
) -> None:
    """Set by debugfs, one after 2038; dumpe2fs prints them in UTC."""
    image = volume(tmp_path, "ext4")
    for name, when in (
        ("lastcheck", "20250102030405"),
        ("mtime", "20400301102030"),
    ):
        run("debugfs", "-w", "-R", f"set_super_value {name} {when}", image)
    told = run("dumpe2fs", "-h", image).splitlines()
    lines = dict(line.split(":", 1) for line in told if ":" in line)

    found = {str(time.by): (time.at, time.step) for time in described(image).kept}

    titles = {
        "mounted": "Last mount time",
        "superblock": "Last write time",
        "checked": "Last checked",
    }
    for by, title in titles.items():
        said = lines[title].strip()
        moment = datetime.strptime(said, "%a %b %d %H:%M:%S %Y").replace(tzinfo=UTC)
        assert found[by] == (int(moment.timestamp()) * 10**9, 10**9)
    assert found["mounted"][0] > 2**31 * 10**9
