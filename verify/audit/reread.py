"""A job's drive read again, later: what changed by use, what by damage.

The same drive at two moments, so the times tell: other bytes under the same modification time are
damage, a later time is use. Without times (partitions compared as raw blocks) it cannot be told.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from verify.archive.job_record import drive_record
from verify.filesystem.entry import NOT_TRIED, Kind
from verify.manifest.base import Model
from verify.manifest.serial import own_serial
from verify.matching.merge_listings import file_block_bytes, listing_order, merged
from verify.matching.pair_contents import Difference
from verify.matching.pairing import match_partitions
from verify.matching.weigh import DAMAGED, NEW_IS_NEWER, is_expected, weigh_change
from verify.text.field import Text
from verify.text.message import counted, say

if TYPE_CHECKING:
    from verify.filesystem.entry import Entry
    from verify.manifest.file import Manifest
    from verify.manifest.header import Header, Partition

Side = Literal["source", "target"]
By = Literal["serial", "identifiers"]
State = Literal["unchanged", "used", "unclear", "damaged", "not_examined"]
Sort = Literal["used", "unclear", "damaged"]

SIDES: tuple[Side, ...] = ("target", "source")

MOST_NAMES = 20
"""Paths kept of what is damaged or unclear."""


class Reread(Model):
    """What came of reading a drive again.

    `state`: `damaged` if anything is, else `unclear`, else `used`; `unchanged` only where contents
    were `proven`: files and blocks whose bytes are those of the record. `side`: which drive of the
    job it is, `matched_by` what. `used`, `unclear`, `damaged`: how many files and blocks.
    `names`: the first of the damaged and unclear ones, only where asked for.
    """

    path: str
    side: Side | None = None
    matched_by: By | None = None
    state: State
    proven: int = 0
    used: int = 0
    unclear: int = 0
    damaged: int = 0
    reason: Text | None = None
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LaterName:
    """A file or folder that is not as it was recorded: what that means, then and now.

    `partition`: its number on the drive now. Sizes in bytes, times of modification in nanoseconds
    since 1970 UTC; `None` where the name was not there.
    """

    partition: int
    path: str
    state: Sort
    node: Kind
    then_bytes: int | None
    now_bytes: int | None
    then_modified: int | None
    now_modified: int | None


@dataclass(slots=True)
class LaterChanges:
    """What was counted, file by file; `each` is called with every name that changed."""

    each: Callable[[LaterName], None] | None = None
    partition: int = 0
    proven: int = 0
    counts: Counter[Sort] = field(default_factory=Counter)
    names: list[str] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)

    def count(self, sort: Sort, name: str, many: int = 1) -> None:
        """Count one more of a sort."""
        self.counts[sort] += many
        if sort != "used" and len(self.names) < MOST_NAMES:
            self.names.append(name)

    def differ(self, sort: Sort, was: Entry | None, now: Entry | None) -> None:
        """Count one more name that is not as it was."""
        one = now or was
        if one is None:
            return
        self.count(sort, one.path)
        if self.each is not None:
            self.each(
                LaterName(
                    partition=self.partition,
                    path=one.path,
                    state=sort,
                    node=one.kind,
                    then_bytes=was.size if was else None,
                    now_bytes=now.size if now else None,
                    then_modified=was.modified if was else None,
                    now_modified=now.modified if now else None,
                )
            )

    @property
    def state(self) -> State:
        """Return what all of it comes to."""
        for sort in ("damaged", "unclear", "used"):
            if self.counts[sort]:
                return sort
        return "unchanged" if self.proven else "not_examined"


def side_of(then: dict[Side, Header], here: Header) -> tuple[Side, By] | None:
    """Return which drive of a job this is, the new one before the old one; `None`: neither.

    Where both fit by identifiers alone it is taken for the new one, which is what is audited.
    """
    own = own_serial(here.drive)
    serials = {side: own_serial(there.drive) for side, there in then.items()}
    for side in SIDES:
        if own is not None and serials[side] == own:
            return side, "serial"
    for side in SIDES:
        if None in (own, serials[side]) and _identifiers(then[side]) == _identifiers(here):
            return side, "identifiers"
    return None


def _identifiers(header: Header) -> tuple[object, ...]:
    """Return size and identifier; a drive without a table has its filesystem's."""
    own = header.table.disk_id or [item.filesystem.id for item in header.partitions]
    return header.drive.size_bytes, own


def compare_later(
    then: Manifest, now: Manifest, each: Callable[[LaterName], None] | None = None
) -> LaterChanges:
    """Compare what a drive holds now with its record.

    `each` is called with every changed file and folder, as it is found.

    Raises:
        ManifestAltered: a row of a manifest is damaged.
    """
    later = LaterChanges(each)
    if drive_record(then.header).table_digest != drive_record(now.header).table_digest:
        later.count("unclear", "partition table")
        later.reasons.append(say("its partition table changed"))
    if sectors := sum(item.sectors for item in now.header.capture.unreadable):
        before = sum(item.sectors for item in then.header.capture.unreadable)
        if sectors > before:
            later.count("damaged", "unreadable sectors", sectors - before)
            later.reasons.append(
                counted(
                    "{count} more sector cannot be read",
                    "{count} more sectors cannot be read",
                    sectors - before,
                )
            )
    for pair in match_partitions(then.header, now.header):
        if pair.both is None:
            later.count("unclear", f"partition {pair.number}")
            later.reasons.append(
                say("partition {number} is on one side only", number=pair.number or 0)
            )
            continue
        old, new = pair.both
        if old.listing is not None and new.listing is not None:
            _compare_files(later, then, now, old, new)
        elif old.contents and new.contents and old.listing is None and new.listing is None:
            _compare_blocks(later, then, now, old.number, new.number)
        elif old.listing is not None or new.listing is not None:
            later.count("unclear", f"partition {pair.number}")
            later.reasons.append(
                say(
                    "the files of partition {number} cannot be listed any more",
                    number=pair.number or 0,
                )
            )
    return later


def _compare_files(
    later: LaterChanges, then: Manifest, now: Manifest, old: Partition, new: Partition
) -> None:
    later.partition = new.number
    touched: set[str] = set()
    blocks = file_block_bytes(old, new) is not None
    entries = then.entries(old.number), now.entries(new.number)
    for was, is_ in merged(*entries, listing_order):
        if was is None and is_ is not None:
            later.differ("used", None, is_)
        elif is_ is None and was is not None:
            # NOTE: whoever removes a name changes its folder; one that vanished leaves it as it is.
            folder = was.path.rpartition("/")[0]
            gone: Sort = "used" if folder in touched or is_expected(was.path) else "unclear"
            later.differ(gone, was, None)
            if was.kind == "folder":
                touched.add(was.path)
        elif was is not None and is_ is not None:
            if was.kind == "folder" and (is_.modified or 0) > (was.modified or 0):
                touched.add(was.path)
            if not blocks:
                was.blocks = []
            _compare_entry(later, was, is_)


def _compare_entry(later: LaterChanges, was: Entry, now: Entry) -> None:
    difference = Difference(was.path, was, now)
    if now.unhashed not in (None, NOT_TRIED) and was.unhashed is None:
        later.differ("damaged", was, now)
    elif was.kind != now.kind or was.size != now.size or was.target != now.target:
        if was.kind == now.kind == "folder":
            return
        later.differ(_sort(difference), was, now)
    elif was.digest is not None and now.digest is not None:
        _tell(later, difference, differs=was.digest != now.digest)
    elif was.blocks and now.blocks:
        old, new = dict(was.blocks), dict(now.blocks)
        common = old.keys() & new.keys()
        if common:
            _tell(later, difference, differs=any(old[at] != new[at] for at in common))
    elif was.kind == "file" and was.modified != now.modified:
        later.differ(_sort(difference), was, now)


def _tell(later: LaterChanges, difference: Difference, *, differs: bool) -> None:
    if differs:
        later.differ(_sort(difference), difference.source, difference.target)
    else:
        later.proven += 1


def _sort(difference: Difference) -> Sort:
    """Return what a difference of the same file at two moments means."""
    meaning = weigh_change(difference)
    if meaning is DAMAGED:
        return "damaged"
    return "used" if meaning is NEW_IS_NEWER or meaning.expected else "unclear"


def _compare_blocks(later: LaterChanges, then: Manifest, now: Manifest, old: int, new: int) -> None:
    for was, is_ in merged(then.blocks(old), now.blocks(new), lambda block: block.index):
        if was is None or is_ is None or was.digest is None:
            continue
        name = f"partition {new}, block {is_.index}"
        if is_.digest is None:
            later.count("damaged", name)
        elif is_.digest == was.digest:
            later.proven += 1
        else:
            later.count("unclear", name)
