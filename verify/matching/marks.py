"""What a file keeps beside its contents, compared: links, owners and rights, attributes, times.

Each difference goes, by what it means, to the rule that tells it. What a clone rewrites or leaves
out by itself takes no part.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verify.filesystem.entry import CASE_SENSITIVE
from verify.manifest.segment import HOLE_BYTES
from verify.manifest.totals import both_timed, is_link, tells_owner
from verify.matching.habits import Habit, habit_of
from verify.matching.level import Level
from verify.matching.pair_contents import Meaning
from verify.matching.survey import FAT_TIME_STEP_NANOSECONDS
from verify.matching.weigh import later_by
from verify.matching.weigh_by_moment import OTHER_VERSION, UNDATED, later_use, weigh_change
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.entry import Entry
    from verify.matching.pair_contents import Difference, PairContents, Sorted

_NO_PART = frozenset({Habit.LEFT_OUT, Habit.REWRITTEN, Habit.MOVING, Habit.HELD})

_RUNNING = frozenset({Habit.MOVING, Habit.HELD})

_BY_PARTITION = say(
    "Clone whole partitions again, not file by file, or set it as on the old drive."
)

POINTS_ELSEWHERE = Meaning(
    Level.STOP,
    say("is a link that points elsewhere on the new drive"),
    say("are links that point elsewhere on the new drive"),
    say("Check what each of them points to, and create it again as on the old drive."),
)
POINTED_LATER = Meaning(
    Level.REVIEW,
    say("is a link that was made to point elsewhere on the new drive after the clone"),
    say("are links that were made to point elsewhere on the new drive after the clone"),
    say("Find out whether the new drive was used after the clone; if not, clone again."),
)
LINK_REPLACED = Meaning(
    Level.REVIEW,
    say("is a link or another reparse point on the old drive, and something else on the new one"),
    say("are links or other reparse points on the old drive, and something else on the new one"),
    say("Clone whole partitions again, not file by file: linked files may now be there twice."),
)
LINK_INSTEAD = Meaning(
    Level.STOP,
    say("is a link on the new drive but not on the old one: its contents may be missing"),
    say("are links on the new drive but not on the old one: their contents may be missing"),
    say("Copy it from the old drive, or clone again, before the old drive is wiped."),
)
SEPARATED = Meaning(
    Level.REVIEW,
    say("is hard-linked to other names on the old drive and a separate copy on the new one"),
    say("are hard-linked to other names on the old drive and separate copies on the new one"),
    say("Clone whole partitions again, not file by file: each copy takes up space of its own."),
)
JOINED = Meaning(
    Level.REVIEW,
    say("is a separate file on the old drive and hard-linked to another one on the new one"),
    say("are separate files on the old drive and hard-linked to others on the new one"),
    say("Find out who linked them: changing one now changes the other."),
)

OWNER = Meaning(
    Level.REVIEW,
    say("has a different owner on the new drive"),
    say("have different owners on the new drive"),
    _BY_PARTITION,
)
RIGHTS = Meaning(
    Level.REVIEW,
    say("has different access rights on the new drive"),
    say("have different access rights on the new drive"),
    _BY_PARTITION,
)
INHERITANCE = Meaning(
    Level.REVIEW,
    say("inherits its folder's access rights on one of the drives only"),
    say("inherit their folders' access rights on one of the drives only"),
    _BY_PARTITION,
)
RUNS_AS = Meaning(
    Level.REVIEW,
    say("runs with different privileges on the new drive (setuid, setgid, sticky or capabilities)"),
    say("run with different privileges on the new drive (setuid, setgid, sticky or capabilities)"),
    _BY_PARTITION,
)
FURTHER = Meaning(
    Level.REVIEW,
    say("has different extended attributes on the new drive"),
    say("have different extended attributes on the new drive"),
    _BY_PARTITION,
)

FLAGS = Meaning(
    Level.REVIEW,
    say("has different attributes (read-only, hidden, system and the like) on the new drive"),
    say("have different attributes (read-only, hidden, system and the like) on the new drive"),
    _BY_PARTITION,
)
BY_CASE = Meaning(
    Level.REVIEW,
    say("is case-sensitive on one of the drives only"),
    say("are case-sensitive on one of the drives only"),
    say("Set it as on the old drive: programs that rely on it may find the wrong file, or none."),
)
ENCRYPTION = Meaning(
    Level.REVIEW,
    say("is encrypted by the system (EFS) on one of the drives only"),
    say("are encrypted by the system (EFS) on one of the drives only"),
    say("Find out whether it was decrypted on purpose; if not, clone whole partitions again."),
)
EXPANDED = Meaning(
    Level.NOTE,
    say("is compressed or sparse on one of the drives only"),
    say("are compressed or sparse on one of the drives only"),
    say("Nothing is lost; check that enough space is left on the new drive."),
)
SHORT_NAME = Meaning(
    Level.REVIEW,
    say("has a different short name (8.3), or none, on the new drive"),
    say("have different short names (8.3), or none, on the new drive"),
    say("Clone whole partitions again: older programs store short names in their settings."),
)

TOUCHED = Meaning(
    Level.NOTE,
    say("has the same contents but a different modification time"),
    say("have the same contents but different modification times"),
    say("Nothing is lost; if there are many, find out what changed their times."),
)
UNREAD_BUT_LATER = Meaning(
    Level.REVIEW,
    say("has a different modification time, and its contents were not compared"),
    say("have different modification times, and their contents were not compared"),
    say("Check again with --depth full: the contents may differ too."),
)
OTHER_DATE = Meaning(
    Level.STOP,
    say("was last written before the clone, and has another date on the new drive"),
    say("were last written before the clone, and have other dates on the new drive"),
    say("Check again with --depth full: the new drive may have other versions."),
)
CREATED_ANEW = Meaning(
    Level.NOTE,
    say("has a different creation time"),
    say("have different creation times"),
    say("Nothing is lost; only sorting by creation date changes."),
)

_ENCRYPTED = 0x4000
_STORED = 0x200 | 0x800
_TOLD_FLAGS = 0x1 | 0x2 | 0x4 | 0x2000 | 0x8000
"""Read-only, hidden, system, not indexed, integrity ([MS-FSCC] 2.6). The archive bit is left out:
every backup clears it."""

_PRIVILEGE_BITS = 0o7000
_CAPABILITY = "security.capability"
_ACCESS_LISTS = ("system.posix_acl_access", "system.posix_acl_default", "system.richacl")

_MOST_LINKED_NODES = 2_000_000


@dataclass(slots=True)
class Nodes:
    """Which file of one drive became which of the other, for files with several names."""

    forward: dict[int, int] = field(default_factory=dict)
    backward: dict[int, int] = field(default_factory=dict)

    def take(self, old: list[int], new: list[int]) -> bool:
        """Take over files with several names, in order; whether they still share them alike."""
        for mine, theirs in zip(old, new, strict=True):
            if _first(self.forward, mine, theirs) != theirs:
                return False
            if _first(self.backward, theirs, mine) != mine:
                return False
        return True


def compare_marks(found: PairContents, nodes: Nodes, item: Difference) -> None:
    """Compare what a name that both sides have keeps beside its contents."""
    old, new = item.source, item.target
    if old is None or new is None:
        return
    found.totals.add_marks(old, new)
    _put(found.relinked, _names(nodes, old, new), item)
    if tells_owner(old) and tells_owner(new):
        _put(found.security, _security(old, new), item)
    elif tells_owner(old) or tells_owner(new):
        found.unsecured += 1
    if old.attributes is not None and new.attributes is not None:
        _put(found.attributes, _attributes(old, new, found.cluster_bytes), item)


def compare_times(found: PairContents, item: Difference) -> None:
    """Compare the times of a file whose size and contents are the same, as far as compared."""
    old, new = item.source, item.target
    later = later_by(item)
    if old is None or new is None or later is None or not both_timed(old, new):
        return
    times = found.times
    found.totals.timed += 1
    modified = abs(later) > FAT_TIME_STEP_NANOSECONDS
    created, changed = _differ(old.created, new.created), _differ(old.changed, new.changed)
    if not (modified or created or changed):
        return
    read = old.digest is not None and new.digest is not None
    if habit_of(item.path) in _NO_PART:
        if modified and not read and habit_of(item.path) in _RUNNING:
            _put_by_moment(found, item, old, new)
        return
    times.modified += modified
    times.created += created
    times.changed += changed
    times.see(new.modified if modified else new.created if created else new.changed)
    if modified:
        if read:
            found.retimed.add(TOUCHED, item)
        elif not _put_by_moment(found, item, old, new):
            found.retimed.add(UNREAD_BUT_LATER, item)
    elif created:
        found.recreated.add(CREATED_ANEW, item)


def _put_by_moment(found: PairContents, item: Difference, old: Entry, new: Entry) -> bool:
    """Keep another date, under which nothing was read, by the moment; `False`: there is none."""
    moment = item.volume.survey.moment
    if moment is None:
        return False
    meaning = weigh_change(item, old, new, moment)
    if meaning in {OTHER_VERSION, UNDATED, None}:
        # NOTE: a modification time can be set to anything, and no other time then speaks for it.
        meaning = OTHER_DATE if moment.changed is not None else UNREAD_BUT_LATER
    found.retimed.add(meaning, item)
    return True


def weigh_link(item: Difference) -> Meaning:
    """Return what it means that a link is missing or different on one side."""
    old, new = item.source, item.target
    moment = item.volume.survey.moment
    since = later_use(item)
    # NOTE: a copy made file by file makes links anew, and their times of modification with them.
    if since is not None and moment is not None and moment.changed is not None:
        return since
    if old is None or new is None or not is_link(old):
        return LINK_INSTEAD
    if not is_link(new) or (old.kind, old.reparse) != (new.kind, new.reparse):
        return LINK_REPLACED
    return POINTED_LATER if (later_by(item) or 0) > FAT_TIME_STEP_NANOSECONDS else POINTS_ELSEWHERE


def is_about_links(item: Difference) -> bool:
    """Whether one of the sides is a link or another reparse point."""
    return any(side is not None and is_link(side) for side in (item.source, item.target))


def _put(into: Sorted, meanings: Iterator[Meaning], item: Difference) -> None:
    """Keep a difference under each of its meanings, unless a clone makes it by itself."""
    for meaning in meanings:
        if habit_of(item.path) in _NO_PART:
            return
        into.add(meaning, item)


def _names(nodes: Nodes, old: Entry, new: Entry) -> Iterator[Meaning]:
    """Hold that names which shared a file share one again, and no others do."""
    if old.kind != "file" or new.kind != "file":
        return
    if old.links > 1 and _first(nodes.forward, old.node, new.node) != new.node:
        yield SEPARATED
    elif new.links > 1 and _first(nodes.backward, new.node, old.node) != old.node:
        yield JOINED


def _first(known: dict[int, int], node: int, other: int) -> int:
    """Return what the first name of a node became; `other` if this is the first, or room ends."""
    if len(known) >= _MOST_LINKED_NODES:
        return known.get(node, other)
    return known.setdefault(node, other)


def _security(old: Entry, new: Entry) -> Iterator[Meaning]:
    before, after = dict(old.extended), dict(new.extended)
    modes = (old.mode or 0) ^ (new.mode or 0)
    if old.owner != new.owner:
        yield OWNER
    rights, others = ((side.security or "").split() for side in (old, new))
    lists = any(before.pop(name, None) != after.pop(name, None) for name in _ACCESS_LISTS)
    if rights[:1] != others[:1] or modes & ~_PRIVILEGE_BITS or lists:
        yield RIGHTS
    elif rights != others:
        yield INHERITANCE
    if before.pop(_CAPABILITY, None) != after.pop(_CAPABILITY, None) or modes & _PRIVILEGE_BITS:
        yield RUNS_AS
    if before != after:
        yield FURTHER


def _attributes(
    old: Entry, new: Entry, cluster_bytes: tuple[int | None, int | None]
) -> Iterator[Meaning]:
    before, after = old.attributes or 0, new.attributes or 0
    changed = before ^ after
    holes = [_has_holes(side, size) for side, size in zip((old, new), cluster_bytes, strict=True)]
    expanded = None not in holes and holes[0] != holes[1]
    if old.mode is None and new.mode is None:
        if changed & _ENCRYPTED:
            yield ENCRYPTION
        if changed & _TOLD_FLAGS:
            yield FLAGS
        if changed & CASE_SENSITIVE:
            yield BY_CASE
        expanded = expanded or bool(changed & _STORED)
    elif old.mode is not None and new.mode is not None and changed:
        yield FLAGS
    if expanded:
        yield EXPANDED
    if old.short != new.short:
        yield SHORT_NAME


def _has_holes(entry: Entry, cluster_bytes: int | None) -> bool | None:
    """Whether much less of a file is stored than it is long; `None`: not known."""
    if entry.kind != "file" or not cluster_bytes:
        return None
    stored = sum(count for _, count in entry.extents) * cluster_bytes
    return entry.size - stored >= HOLE_BYTES


def _differ(old: int | None, new: int | None) -> bool:
    return None not in (old, new) and abs((new or 0) - (old or 0)) > FAT_TIME_STEP_NANOSECONDS
