"""Comparing two listings in one pass, whatever their length: both come in the same order."""

from __future__ import annotations

from collections import Counter
from functools import partial
from typing import TYPE_CHECKING, TypeVar

from verify.filesystem.entry import NOT_TRIED
from verify.manifest.draw import (
    BLOCK_BYTES,
    FILE_BLOCK_BYTES,
    LARGE_FILE_BYTES,
    blocks_in,
)
from verify.manifest.totals import common_blocks, common_streams, is_drawn, is_in_draw
from verify.matching.level import Level
from verify.matching.marks import (
    Nodes,
    compare_marks,
    compare_times,
    is_about_links,
    weigh_link,
)
from verify.matching.moment import Volume
from verify.matching.pair_contents import ContentComparison, Difference, Listed, PairContents
from verify.matching.survey import survey
from verify.matching.told import NOT_READ, UNREADABLE, count_in
from verify.matching.weigh import (
    MOVING,
    is_expected,
    is_moving,
    weigh_change,
    weigh_extra,
    weigh_missing,
    weigh_stream,
)
from verify.matching.zeroed import weigh_zeros

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from verify.filesystem.entry import Entry
    from verify.manifest.file import Manifest
    from verify.manifest.header import Partition
    from verify.manifest.listing_rows import ListingRows
    from verify.manifest.row import Block
    from verify.manifest.segment import Segment
    from verify.matching.moment import Survey
    from verify.matching.pair_contents import Kind
    from verify.matching.pairing import Pair

Row = TypeVar("Row")
Key = TypeVar("Key", int, list[str])


def compare_contents(
    source: Manifest, target: Manifest, pairs: tuple[Pair, ...]
) -> ContentComparison:
    """Compare the files, or the blocks, of every pair of partitions that both sides recorded.

    Raises:
        ManifestAltered: a row of a manifest is damaged.
    """
    found = ContentComparison()
    for pair in pairs:
        both = pair.both
        if both is None:
            found.listed += _listed_alone(pair)
            continue
        old, new = both
        if old.listing is not None and new.listing is not None:
            files = files_of(source, target, pair.number, both)
            listed = Listed(old.number, new.number)
            for item in differing_names(files, source, target, both):
                count_in(listed, item)
            found.listed.append(listed)
            found.pairs[pair.number] = files
            if old.view is not None:
                found.encrypted[pair.number] = _compare_raw(source, target, pair.number, both)
            if MOVING in files.missing.bags:
                files.moving_kept = any(map(is_moving, target.entries(new.number)))
        elif old.listing is None and new.listing is None and old.contents and new.contents:
            found.pairs[pair.number] = _compare_raw(source, target, pair.number, both)
    return found


def files_of(
    source: Manifest, target: Manifest, number: int, both: tuple[Partition, Partition]
) -> PairContents:
    """Return where the comparison of two listings is collected, with nothing in it yet."""
    old, new = both
    files = PairContents(
        number,
        cluster_bytes=(old.filesystem.cluster_bytes, new.filesystem.cluster_bytes),
        block_bytes=file_block_bytes(old, new) or FILE_BLOCK_BYTES,
    )
    files.volume = Volume(partial(_survey, source, target, both))
    return files


def differing_names(
    files: PairContents, source: Manifest, target: Manifest, both: tuple[Partition, Partition]
) -> Iterator[Difference]:
    """Compare two listings, and yield each name that differs, in their order.

    Raises:
        ManifestAltered: a row of a manifest is damaged.
    """
    old, new = both
    blocks = file_block_bytes(old, new) is not None
    with source.listing(old.number) as left, target.listing(new.number) as right:
        yield from _differing(files, left, right, blocks=blocks)


def _listed_alone(pair: Pair) -> Iterator[Listed]:
    """Count the names of a partition that only one drive has."""
    side = pair.source or pair.target
    if side is None or side.listing is None:
        return
    listing = side.listing
    count = listing.files + listing.folders + listing.links + listing.others
    kind: Kind = "missing" if pair.source else "extra"
    yield Listed(
        pair.source.number if pair.source else None,
        pair.target.number if pair.target else None,
        count,
        Counter({kind: count}),
        Counter({Level.STOP if pair.source else Level.NOTE: count}),
    )


def _compare_raw(
    source: Manifest, target: Manifest, number: int, both: tuple[Partition, Partition]
) -> PairContents:
    old, new = both
    lengths = (
        old.sectors * source.header.table.sector_bytes,
        new.sectors * target.header.table.sector_bytes,
    )
    blocks = source.blocks(old.number), target.blocks(new.number)
    return _compare_blocks(number, *blocks, lengths)


def file_block_bytes(old: Partition, new: Partition) -> int | None:
    """Return the size of the blocks of files that both sides read; `None`: they read others."""
    sizes = {side.contents.block_bytes for side in (old, new) if side.contents}
    sizes.discard(0)
    if len(sizes) > 1:
        return None
    return sizes.pop() if sizes else FILE_BLOCK_BYTES


def _survey(source: Manifest, target: Manifest, both: tuple[Partition, Partition]) -> Survey:
    old, new = both
    with source.listing(old.number) as left, target.listing(new.number) as right:
        return survey(left, right, partitions=both, headers=(source.header, target.header))


def merged(
    left: Iterator[Row], right: Iterator[Row], key: Callable[[Row], Key]
) -> Iterator[tuple[Row | None, Row | None]]:
    """Yield rows of two ordered streams by key: pairs where both have it, else one side alone."""
    here, there = next(left, None), next(right, None)
    while here is not None and there is not None:
        mine, theirs = key(here), key(there)
        if mine == theirs:
            yield here, there
            here, there = next(left, None), next(right, None)
        elif mine < theirs:
            yield here, None
            here = next(left, None)
        else:
            yield None, there
            there = next(right, None)
    while here is not None:
        yield here, None
        here = next(left, None)
    while there is not None:
        yield None, there
        there = next(right, None)


def listing_order(entry: Entry) -> list[str]:
    """Return the key that listings are ordered by: folder by folder, names by code points."""
    return entry.path.split("/")


def compare_listings(
    found: PairContents,
    source: ListingRows,
    target: ListingRows,
    *,
    blocks: bool = True,
) -> None:
    """Merge two listings; what stands alike on both sides counts without being looked into.

    `blocks`: whether both sides read blocks of files of one size.
    """
    for _ in _differing(found, source, target, blocks=blocks):
        pass


def _differing(
    found: PairContents, source: ListingRows, target: ListingRows, *, blocks: bool
) -> Iterator[Difference]:
    """Merge two listings, and yield each name about which there is something to report."""
    nodes = Nodes()
    while True:
        if _is_alike(found, nodes, source.segment, target.segment):
            source.pass_over()
            target.pass_over()
            continue
        old, new = _next_name(source, target)
        if old is not None and new is not None:
            found.totals.rows += 1
            if not blocks:
                old.blocks = new.blocks = []
            item = Difference(old.path, old, new, volume=found.volume)
            _compare_entry(found, nodes, item)
            if item.told:
                yield item
        elif old is not None:
            lacking = Difference(old.path, old, None, volume=found.volume)
            found.missing.add(weigh_missing(lacking), lacking)
            yield lacking
        elif new is not None:
            further = Difference(new.path, None, new, volume=found.volume)
            found.extra.add(weigh_extra(further), further)
            yield further
        else:
            return


def _next_name(source: ListingRows, target: ListingRows) -> tuple[Entry | None, Entry | None]:
    """Step over the next name, and return what each side has of it."""
    old, new = source.entry, target.entry
    if old is not None and new is not None and old.path != new.path:
        first = listing_order(old) < listing_order(new)
        old, new = (old, None) if first else (None, new)
    if old is not None:
        source.step()
    if new is not None:
        target.step()
    return old, new


def _is_alike(
    found: PairContents, nodes: Nodes, source: Segment | None, target: Segment | None
) -> bool:
    """Whether a segment is the same on both sides; if so its totals are added."""
    if source is None or target is None or source.alike != target.alike:
        return False
    if len(set(found.cluster_bytes)) > 1 or not source.totals.is_like(target.totals):
        return False
    if not nodes.take(source.totals.nodes, target.totals.nodes):
        return False
    found.totals.add_alike(source.totals)
    return True


def _compare_entry(found: PairContents, nodes: Nodes, difference: Difference) -> None:
    old, new = difference.source, difference.target
    assert old is not None and new is not None  # noqa: S101, PT018 - a pair has both
    if old.kind != new.kind or old.target != new.target or old.reparse != new.reparse:
        if is_about_links(difference) and not is_expected(difference.path):
            found.totals.linked += 1
            found.relinked.add(weigh_link(difference), difference)
        else:
            found.changed.add(weigh_change(difference), difference)
        return
    compare_marks(found, nodes, difference)
    if old.unhashed == new.unhashed == NOT_TRIED:
        found.untried.add(difference)
        difference.told.append(("not_read", NOT_READ))
    elif old.unhashed or new.unhashed:
        found.unreadable.add(difference)
        difference.told.append(("unreadable", UNREADABLE))
    if old.kind == "file" and old.size != new.size:
        found.resized.add(weigh_change(difference), difference)
        _add_zeroed(found, difference)
        return
    found.totals.add_read(old, new, found.block_bytes)
    drawn, blocks = found.drawn_mismatches, found.block_mismatches
    differs = _digests_differ(found, old, new)
    if differs:
        meaning = weigh_change(difference)
        if meaning.level is Level.STOP:
            found.drawn_damage += found.drawn_mismatches - drawn
            found.block_damage += found.block_mismatches - blocks
        found.mismatches += not meaning.expected
        found.expected_changes += meaning.expected
        found.changed.add(meaning, difference)
        _add_zeroed(found, difference)
        return
    if _stream_sizes(old) != _stream_sizes(new):
        found.streams.add(weigh_stream(difference), difference)
    compare_times(found, difference)


def _add_zeroed(found: PairContents, difference: Difference) -> None:
    meaning = weigh_zeros(difference, found.block_bytes)
    if meaning is not None:
        found.zeroed.add(meaning, difference)


def _digests_differ(found: PairContents, old: Entry, new: Entry) -> bool:
    """Compare whatever was read on both sides; what of it was drawn counts by itself, too."""
    differs = None not in (old.digest, new.digest) and old.digest != new.digest
    if differs and is_in_draw(old, new):
        found.drawn_mismatches += old.size <= LARGE_FILE_BYTES and is_drawn(old, new)
        found.block_mismatches += old.size > LARGE_FILE_BYTES
    if old.digest is None or new.digest is None:
        wrong = _wrong_blocks(old, new, blocks_in(old.size, found.block_bytes))
        found.block_mismatches += wrong
        differs = bool(wrong)
    if old.reparse_digest and new.reparse_digest:
        differs = differs or old.reparse_digest != new.reparse_digest
    return differs or any(mine.digest != its.digest for mine, its in common_streams(old, new))


def _wrong_blocks(old: Entry, new: Entry, blocks: int) -> int:
    mine, its = dict(old.blocks), dict(new.blocks)
    return sum(mine[index] != its[index] for index in common_blocks(old, new, blocks))


def _stream_sizes(entry: Entry) -> list[tuple[str, int]]:
    return [(stream.name, stream.size) for stream in entry.streams]


def _compare_blocks(
    number: int, source: Iterator[Block], target: Iterator[Block], sizes: tuple[int, int]
) -> PairContents:
    found = PairContents(number, raw=True)
    shared = min(sizes)
    # NOTE: a block that is cut by the end of the shorter side has another length on the longer.
    comparable = blocks_in(shared) if sizes[0] == sizes[1] else shared // BLOCK_BYTES
    totals = found.totals
    totals.block_population = comparable
    last = -1
    for old, new in merged(source, target, _index):
        if old is None or new is None or not last < old.index < comparable:
            continue
        last = old.index
        if old.digest is None or new.digest is None:
            found.unreadable.count += 1
            continue
        totals.blocks += 1
        totals.hashed += 1
        totals.hashed_bytes += min(BLOCK_BYTES, shared - old.index * BLOCK_BYTES)
        if old.digest != new.digest:
            found.mismatches += 1
            found.block_mismatches += 1
    return found


def _index(block: Block) -> int:
    return block.index
