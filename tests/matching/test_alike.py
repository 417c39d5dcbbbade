"""Segments that are passed over count for what their rows, compared one by one, count for."""

from __future__ import annotations

import gzip
import random
from array import array
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from tests.manifest.headers import small_header
from tests.rules.cases import partition
from verify.capture.row_store import RowStore
from verify.errors import ManifestAltered
from verify.filesystem.entry import NOT_TRIED, Entry, Stream
from verify.manifest.draw import FILE_BLOCK_BYTES
from verify.manifest.file import open_manifest, write_manifest
from verify.manifest.listing_rows import ListingRows
from verify.manifest.partition_contents import Contents
from verify.manifest.segment import NAMES_A_SEGMENT, begins_segment
from verify.manifest.totals import COUNTS, Totals
from verify.manifest.zeros import Zeros
from verify.matching.merge_listings import compare_listings, file_block_bytes
from verify.matching.pair_contents import PairContents

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from verify.manifest.file import Manifest
    from verify.manifest.header import Partition

MOMENT = 1_900_000_000_000_000_000
CLUSTER = 4096

DRESSES: dict[int, dict[str, Any]] = {
    0: {"streams": [Stream("Zone", 26, "ab" * 32)]},
    1: {"reparse": "9000601A", "reparse_digest": "cd" * 32},
    2: {"size": 20 << 20, "blocks": [(3, "ef" * 32), (99, "ef" * 32)]},
    3: {"size": 20 << 20},
    4: {"boot": True},
    6: {"kind": "link", "target": "/elsewhere", "size": 9, "extents": []},
    7: {"kind": "folder", "size": 0, "reparse": "A0000003", "extents": []},
    8: {"mode": 0o644},
    9: {"streams": [Stream("Zone", 26, "ab" * 32), Stream("unread", 9, None)]},
    10: {"size": 20 << 20, "digest": "01" * 32},
}


UNREAD = {33: "it touches sectors that cannot be read", 55: NOT_TRIED}


def dress(entry: Entry, before: Entry, which: int) -> None:
    """Give an entry something that few have; most stay plain."""
    if which == 5 and before.kind == "file":
        entry.links, before.links, entry.node = 2, 2, before.node
    for name, value in DRESSES.get(which, {}).items():
        setattr(entry, name, value)


def listing(names: int, seed: int) -> list[Entry]:
    """Return a listing with some of everything, read in part as a sample reads."""
    chance = random.Random(seed)
    found: list[Entry] = []
    for number in range(names):
        if number % 40 == 0:
            top = f"/Users/folder{number:06}"
            found.append(Entry("folder", top, node=5_000_000 + number, owner="S-1-5-18"))
        entry = Entry("file", f"{top}/name{number:06}", size=chance.randrange(200_000))
        entry.node = 64 + number
        entry.modified = entry.created = entry.changed = MOMENT + number
        entry.attributes = chance.choice((None, 0x20, 0x20, 0x4000, 0x1000))
        entry.owner = chance.choice(("S-1-5-18", "S-1-5-21-7", None))
        entry.extents = [(chance.randrange(1 << 20), -(-entry.size // CLUSTER))]
        found.append(entry)
        dress(entry, found[-2], chance.randrange(30))
        entry.unhashed = UNREAD.get(number)
        unread = entry.blocks or entry.unhashed or entry.digest
        if entry.kind == "file" and not unread and chance.random() < 0.5:
            entry.digest = chance.randbytes(32).hex()
            entry.placed = chance.random() < 0.1
            entry.zero_blocks = number % 4 // 3 * (entry.size // 4096)
            entry.zero_tail = number % 10 == 7
    return sorted(found, key=lambda item: item.path.split("/"))


def moved(entries: Iterable[Entry], seed: int) -> list[Entry]:
    """Return the listing of a clone: other places on the drive, records numbered anew."""
    chance = random.Random(seed)
    return [
        replace(
            entry,
            node=entry.node * 3 + 1,
            extents=[(chance.randrange(1 << 20), count) for _, count in entry.extents],
        )
        for entry in entries
    ]


def written(path: Path, entries: list[Entry], *, plain: bool = False) -> Manifest:
    """Write a manifest as a capture does; `plain`: without heads, as it was written before."""
    rows = path.with_suffix(".rows")
    with RowStore(path.with_suffix(".listed")) as store:
        for entry in entries:
            streams = [replace(item, digest=None) for item in entry.streams]
            bare = replace(entry, digest=None, blocks=[], reparse_digest=None, streams=streams)
            bare = replace(bare, zero_blocks=0, zero_tail=False)
            store.append(replace(bare, unhashed=None, placed=False))
        store.finish_listing()
        store.placed.update(number for number, entry in enumerate(entries) if entry.placed)
        for number, entry in enumerate(entries):
            added = entry.blocks or entry.streams or entry.reparse_digest or entry.unhashed
            if added:
                store.put(number, entry)
            elif entry.digest:
                zeros = Zeros(entry.zero_blocks, entry.zero_tail)
                store.put_digest(number, entry.digest.encode(), zeros if zeros != Zeros() else None)
        text = b"".join(store.rows())
    if plain:
        lines = text.splitlines(keepends=True)
        text = b"".join(line for line in lines if not line.startswith(b'{"piece"'))
    rows.write_bytes(text)
    write_manifest(path, small_header(), {0: rows}, replace=True)
    return open_manifest(path)


def compared(old: Manifest, new: Manifest) -> PairContents:
    """Compare what two manifests hold of their one partition."""
    found = PairContents(0, cluster_bytes=(CLUSTER, CLUSTER), block_bytes=FILE_BLOCK_BYTES)
    with old.listing(0) as left, new.listing(0) as right:
        compare_listings(found, left, right)
    return found


def a_removed(entries: list[Entry]) -> None:
    """A file is not on the new drive."""
    del entries[700]


def a_first_of_segment_removed(entries: list[Entry]) -> None:
    """The name that a segment begins at."""
    del entries[next(at for at, item in enumerate(entries[300:], 300) if begins_segment(item.path))]


def an_added(entries: list[Entry]) -> None:
    """A name more."""
    entries.insert(1000, replace(entries[1000], path=entries[1000].path[:-1] + "!"))


def a_damaged(entries: list[Entry]) -> None:
    """Other contents."""
    at = next(at for at, item in enumerate(entries[500:], 500) if item.digest)
    entries[at] = replace(entries[at], digest="00" * 32)


def an_unreadable(entries: list[Entry]) -> None:
    """No hash on one side."""
    at = next(at for at, item in enumerate(entries[500:], 500) if item.digest)
    entries[at] = replace(entries[at], digest=None, unhashed="it touches a bad sector")


def a_hole_filled(entries: list[Entry]) -> None:
    """Fewer clusters: a file that has holes."""
    at = next(at for at, item in enumerate(entries) if 100_000 < item.size < 200_000)
    entries[at] = replace(entries[at], extents=[(7, 1)])


def a_link_parted(entries: list[Entry]) -> None:
    """Two names of one file become two files, each with a further name elsewhere."""
    at = next(at for at, item in enumerate(entries) if item.links > 1)
    entries[at] = replace(entries[at], node=999_999_999)


def links_crossed(entries: list[Entry]) -> None:
    """Segments that are alike in every row, but whose names share other files."""
    linked = [at for at, item in enumerate(entries) if item.links > 1]
    one, other = linked[0], linked[-1]
    nodes = entries[one].node, entries[other].node
    entries[one] = replace(entries[one], node=nodes[1])
    entries[other] = replace(entries[other], node=nodes[0])


def times_lost(entries: list[Entry]) -> None:
    """All creation times are of one day."""
    entries[:] = [replace(item, created=MOMENT) for item in entries]


def nothing(_: list[Entry]) -> None:
    """As it was."""


CHANGES = [
    nothing,
    a_removed,
    a_first_of_segment_removed,
    an_added,
    a_damaged,
    an_unreadable,
    a_hole_filled,
    a_link_parted,
    links_crossed,
    times_lost,
]


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("seed", [1, 2])
def test_segments_when_compared_then_all_counts_are_those_of_the_rows(
    change: Callable[[list[Entry]], None], seed: int, tmp_path: Path
) -> None:
    """Held against the comparison row by row, which manifests without heads still have."""
    source = listing(1600, seed)
    target = moved(source, seed)
    change(target)
    by_segment = compared(
        written(tmp_path / "source", source), written(tmp_path / "target", target)
    )
    by_row = compared(
        written(tmp_path / "plain-source", source, plain=True),
        written(tmp_path / "plain-target", target, plain=True),
    )
    assert by_segment == by_row
    assert by_row.totals.rows > 1500
    assert min(by_row.totals.population, *(getattr(by_row.totals, name) for name in COUNTS)) > 0


def test_totals_when_nothing_changed_then_they_are_those_of_plain_sums(tmp_path: Path) -> None:
    """Both ways count by the same functions, so these are held against sums over the entries.

    A file of 20 MiB has 80 blocks of 256 KiB, of which block 3 alone is one of those hashed.
    """
    entries = listing(1600, 6)
    files = [item for item in entries if item.kind == "file"]
    drawable = [item for item in files if not item.boot and not item.unhashed]
    small = [item for item in drawable if item.size <= 8 << 20]
    large = [item for item in drawable if item.size > 8 << 20]
    windows = [item for item in files if item.mode is None]
    in_cloud = [item for item in windows if item.reparse or (item.attributes or 0) & 0x1000]
    read = [item for item in files if item.digest]
    links = [item for item in entries if item.links > 1 or item.reparse or item.kind == "link"]
    with_blocks = [item for item in large if item.blocks and not item.digest]
    streams = [stream for item in entries for stream in item.streams]
    found = compared(
        written(tmp_path / "source", entries), written(tmp_path / "target", moved(entries, 6))
    ).totals
    assert found == Totals(
        rows=len(entries),
        linked=len(links),
        secured=sum(item.owner is not None for item in entries),
        attributed=sum(item.attributes is not None for item in entries),
        encrypted=sum(bool((item.attributes or 0) & 0x4000) for item in windows),
        placeholders=sum(item.attributes is not None for item in in_cloud),
        timed=len(files),
        hashed=len(read) + len(with_blocks),
        hashed_bytes=sum(item.size for item in read)
        + len(with_blocks) * (256 << 10)
        + sum(stream.size for stream in streams if stream.digest),
        drawn=sum(bool(item.digest) and not item.placed for item in small),
        blocks=len(with_blocks) + sum(80 for item in large if item.digest),
        block_population=80 * len(large),
        sizes=array("Q", [item.size + sum(s.size for s in item.streams) for item in small]),
    )


def test_segments_when_one_file_changed_then_nearly_all_others_are_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows that were looked into are counted."""
    source = listing(8_000, 3)
    target = moved(source, 3)
    a_removed(target)
    looked_into: list[None] = []
    real = ListingRows.step

    def seen(rows: ListingRows) -> None:
        looked_into.append(real(rows))

    monkeypatch.setattr(ListingRows, "step", seen)
    found = compared(written(tmp_path / "source", source), written(tmp_path / "target", target))
    assert found.missing.count == 1
    assert 0 < len(looked_into) < 16 * NAMES_A_SEGMENT


def test_segment_when_its_head_is_wrong_then_the_manifest_is_altered(tmp_path: Path) -> None:
    """A digest over the whole file keeps accidents out, not malice."""
    source = listing(2000, 4)
    good = written(tmp_path / "good", source)
    text = gzip.decompress((tmp_path / "good").read_bytes())
    rows = text.split(b"\n", 2)[2].rsplit(b"\n", 2)[0] + b"\n"
    for wrong in (
        rows.replace(b'"nodes":[', b'"nodes":[-1,', 1),
        rows.replace(b'"sizes":[', b'"sizes":["",', 1),
        rows.replace(b'"counts":', b'"count":', 1),
        rows.replace(b'"rows":', b'"rows":-', 1),
        rows.replace(b'"alike":"', b'"alike":"x', 1),
    ):
        assert wrong != rows
        (tmp_path / "rows").write_bytes(wrong)
        write_manifest(tmp_path / "wrong", small_header(), {0: tmp_path / "rows"}, replace=True)
        bad = open_manifest(tmp_path / "wrong")
        with pytest.raises(ManifestAltered):
            compared(bad, bad)
        assert compared(good, good).totals.rows == len(source)


@pytest.mark.parametrize(("blocks", "differing"), [(True, 1), (False, 0)])
def test_blocks_when_they_are_of_two_sizes_then_they_are_not_held_together(
    tmp_path: Path, *, blocks: bool, differing: int
) -> None:
    """Block 3 of one size is another part of the file than block 3 of another."""
    old = Entry("file", "/film", size=20 << 20, modified=MOMENT, blocks=[(3, "ab" * 32)])
    new = replace(old, blocks=[(3, "cd" * 32)])
    found = PairContents(0, cluster_bytes=(CLUSTER, CLUSTER), block_bytes=FILE_BLOCK_BYTES)
    manifests = written(tmp_path / "old", [old]), written(tmp_path / "new", [new])
    with manifests[0].listing(0) as left, manifests[1].listing(0) as right:
        compare_listings(found, left, right, blocks=blocks)
    assert found.changed.count == found.block_mismatches == differing
    assert (found.totals.blocks, found.totals.block_population) == (int(blocks), 80)


def test_block_size_when_sides_read_others_then_there_is_none_in_common() -> None:
    """Of two earlier captures it is theirs."""
    today, earlier = (partition_with(size) for size in (FILE_BLOCK_BYTES, 1 << 20))
    assert file_block_bytes(today, today) == FILE_BLOCK_BYTES
    assert file_block_bytes(earlier, earlier) == 1 << 20
    assert file_block_bytes(today, earlier) is None
    assert file_block_bytes(today, partition_with(0)) == FILE_BLOCK_BYTES


def partition_with(block_bytes: int) -> Partition:
    """Return a partition whose files were read in blocks of that size."""
    return partition(1, 1, 100, contents=Contents(block_bytes=block_bytes))


def test_segment_when_one_side_counted_no_zeros_then_it_is_alike_still(tmp_path: Path) -> None:
    """An older version did not: what has one digest has one number of zero blocks."""
    source = listing(2000, 5)
    older = [replace(item, zero_blocks=0, zero_tail=False) for item in moved(source, 5)]
    assert older != moved(source, 5)
    found = []
    for name, entries in (("new", source), ("old", older)):
        written(tmp_path / name, entries)
        lines = gzip.decompress((tmp_path / name).read_bytes()).splitlines()
        heads = [line for line in lines if line.startswith(b'{"piece"')]
        found.append([head.split(b'"counts"')[0] for head in heads])
    assert len(set(found[0])) > 2
    assert found[0] == found[1]
