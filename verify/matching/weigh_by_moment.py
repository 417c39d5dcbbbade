"""What a difference means on a volume of which it is known when it was copied.

Older than that moment is the clone's fault, whatever its folder is called; newer is later use of
one of the drives. The name of a file decides only who wrote it: a person or a machine.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.matching.habits import Habit, habit_of
from verify.matching.level import Level
from verify.matching.moment import is_same_file
from verify.matching.pair_contents import Meaning
from verify.matching.survey import (
    LONGEST_COPY_NANOSECONDS,
    SECOND,
)
from verify.matching.traces import Open, held_open, is_made_anew, is_work
from verify.text.message import say

if TYPE_CHECKING:
    from verify.filesystem.entry import Entry
    from verify.matching.moment import Moment
    from verify.matching.pair_contents import Difference

NEAR_NANOSECONDS = 3600 * SECOND
"""What was last written in the hour before the copy may have been open then (common practice)."""

_LONGEST_OPEN_NANOSECONDS = 31 * 24 * 3600 * SECOND
"""A registry file or a system's log keeps its time while it is open, for a month of running at most
(common practice: updates are monthly)."""

_LARGEST_ZEROS = 256 << 20
"""Files up to this size (bytes) are held against as many zeros."""

_COPY_IT = say("Copy the newer version from the old drive, or clone again.")
_ASK = say("Find out whether the new drive was used after the clone; if not, clone again.")
_AGAIN = say(
    "Open both versions. If the one on the old drive is intact, copy it again, then check again."
)

OLD_WORK = Meaning(
    Level.REVIEW,
    say("was changed or created on the old drive after the clone"),
    say("were changed or created on the old drive after the clone"),
    _COPY_IT,
    since="source",
)
OLD_STORE = Meaning(
    Level.REVIEW,
    say("is a database, mail store or virtual disk that was written on the old drive since"),
    say("are databases, mail stores or virtual disks that were written on the old drive since"),
    say("Shut the old system down, then copy it once more from the old drive or clone again."),
    since="source",
)
OLD_MACHINE = Meaning(
    Level.NOTE,
    say("was written on the old drive after the clone by its system or a program"),
    say("were written on the old drive after the clone by its system or by programs"),
    say("Nothing to do; the system kept running after the clone and wrote it."),
    since="source",
)
MOVED = Meaning(
    Level.NOTE,
    say("was renamed or moved on the old drive after the clone"),
    say("were renamed or moved on the old drive after the clone"),
    say("Nothing is lost: the new drive has it under its earlier name."),
    since="source",
)
MOVED_THERE = Meaning(
    Level.NOTE,
    say("was renamed or moved on the new drive after the clone"),
    say("were renamed or moved on the new drive after the clone"),
    _ASK,
    since="target",
)
EARLIER_NAME = Meaning(
    Level.NOTE,
    say("is the earlier name of a file or folder that was renamed on the old drive"),
    say("are the earlier names of files or folders that were renamed on the old drive"),
    say("Nothing to do."),
    since="source",
)
DELETED = Meaning(
    Level.NOTE,
    say("was deleted on the old drive after the clone"),
    say("were deleted on the old drive after the clone"),
    say("Nothing to do; if it must not stay, delete it on the new drive too."),
    since="source",
)
NEW_WORK = Meaning(
    Level.REVIEW,
    say("was changed or created on the new drive after the clone"),
    say("were changed or created on the new drive after the clone"),
    _ASK,
    since="target",
)
NEW_MACHINE = Meaning(
    Level.NOTE,
    say("was written on the new drive after the clone by its system or a program"),
    say("were written on the new drive after the clone by its system or by programs"),
    _ASK,
    since="target",
)

OTHER_VERSION = Meaning(
    Level.STOP,
    say("was last written before the clone, but the new drive has a different version"),
    say("were last written before the clone, but the new drive has different versions"),
    _AGAIN,
)
ZEROS = Meaning(
    Level.STOP,
    say("is all zeros on the new drive"),
    say("are all zeros on the new drive"),
    _AGAIN,
)
DOUBTFUL = Meaning(
    Level.REVIEW,
    say("of the system or a program is missing: it was installed after the clone, or lost by it"),
    say("of the system or of programs are missing: installed after the clone, or lost by it"),
    say("If the old drive was not updated after the clone, copy it, or clone again."),
)
DOUBTFUL_THERE = Meaning(
    Level.REVIEW,
    say("of the system or a program is missing: deleted on the new drive, or lost by the clone"),
    say("of the system or of programs are missing: deleted on the new drive, or lost by the clone"),
    say("If the new drive was not updated after the clone, copy it, or clone again."),
)
COPIED_OPEN = Meaning(
    Level.REVIEW,
    say("was open while it was copied: a registry file, database, mail store or virtual disk"),
    say("were open while they were copied: registry files, databases, mail stores, virtual disks"),
    say("Shut the old system down, then copy it once more from the old drive or clone again."),
)
UNDATED = Meaning(
    Level.STOP,
    say("differs, and its date is later than the check: it does not tell which version is newer"),
    say("differ, and their dates are later than the check: these do not tell which are newer"),
    say("Open both versions. Unless the new drive has the right one, copy it from the old drive."),
)
CLOCK_SET_BACK = Meaning(
    Level.REVIEW,
    say("was written after the clone, on the drive whose clock had been set back"),
    say("were written after the clone, on the drive whose clock had been set back"),
    say("Open both versions and keep the newer one: their dates do not tell which that is."),
)
COPIED_MEANWHILE = Meaning(
    Level.REVIEW,
    say(
        "was written while the volume was being copied, and the new drive has"
        " the version before that"
    ),
    say(
        "were written while the volume was being copied, and the new drive has"
        " the versions before that"
    ),
    say("Shut the old system down, then copy it once more from the old drive or clone again."),
)


def weigh_missing(item: Difference, old: Entry, moment: Moment, otherwise: Meaning) -> Meaning:
    """Return what a file's absence from the new drive means."""
    known = item.volume.survey
    there = known.found_as(old)
    if there is not None:
        return _weigh_moved(old, there, moment, otherwise)
    at = None if moment.is_wrong(old) else known.put_there_at(old)
    if at is not None and at > moment.newest:
        if known.was_made_before(old) and not is_made_anew(old):
            return DOUBTFUL
        return _missed(old, at, moment)
    if at is not None and at > moment.newest - LONGEST_COPY_NANOSECONDS and known.dated_folders:
        return COPIED_MEANWHILE if is_work(old) else OLD_MACHINE
    if moment.used_from is not None and known.has_changed_there(item.path):
        return _deleted_there(old, otherwise)
    return otherwise


def _deleted_there(old: Entry, otherwise: Meaning) -> Meaning:
    """Return what an absence means from a folder that was written on the target.

    NOTE: systems delete their own files; that a person's was deleted there is not taken on trust.
    """
    if is_work(old):
        return otherwise
    return NEW_MACHINE if is_made_anew(old) else DOUBTFUL_THERE


def _weigh_moved(old: Entry, there: Entry, moment: Moment, otherwise: Meaning) -> Meaning:
    """Return what it means that a file has another name on the target.

    NOTE: the move may be later than the moment; what the file holds is as old as it was modified.
    """
    if is_same_file(old, there):
        return MOVED_THERE if (there.changed or 0) > (old.changed or 0) else MOVED
    written = old.modified or 0
    if old.modified == there.modified or written <= (there.modified or 0):
        return otherwise
    if moment.wrong_from is not None and written >= moment.wrong_from:
        return otherwise
    if written > moment.newest:
        return _old(old)
    if moment.copied_from is not None and written >= moment.copied_from:
        return COPIED_MEANWHILE if is_work(old) else OLD_MACHINE
    return otherwise


def weigh_extra(item: Difference, new: Entry, moment: Moment, otherwise: Meaning) -> Meaning:
    """Return what a file's absence from the old drive means."""
    known = item.volume.survey
    if known.came_from(new) is not None:
        return EARLIER_NAME
    if moment.is_after(new):
        return _new(new)
    return DELETED if known.has_changed(item.path) else otherwise


def weigh_change(item: Difference, old: Entry, new: Entry, moment: Moment) -> Meaning | None:
    """Return what other contents or another size mean; `None`: damage under one time."""
    kind = held_open(item.path)
    matters = kind in {Open.REGISTRY, Open.STORE} or is_work(old)
    if matters and _is_zeros(new) and not _is_zeros(old):
        return ZEROS
    by_clock = _wrong_clock(old, new, moment, kind)
    if by_clock is not None:
        return by_clock
    if old.kind == new.kind and _one_time(old, new, moment.step):
        return _under_one_time(item, old, moment, kind)
    since = later_use(item)
    if since is not None:
        return _later(item, since, moment, kind)
    found = _meanwhile(item, old, moment)
    if found is None and kind is not None and _age(old, moment) <= NEAR_NANOSECONDS:
        return COPIED_OPEN
    return found or OTHER_VERSION


def _wrong_clock(old: Entry, new: Entry, moment: Moment, kind: Open | None) -> Meaning | None:
    """Return what a change means whose time a wrong clock wrote; `None`: none did."""
    if moment.is_wrong(old) and kind is Open.REGISTRY:
        return COPIED_OPEN
    if old.kind == new.kind and _one_time(old, new, moment.step):
        return None
    if _set_back(old, new, moment):
        return CLOCK_SET_BACK
    return UNDATED if moment.is_wrong(old) else None


def _set_back(old: Entry, new: Entry, moment: Moment) -> bool:
    """Whether one file was changed last under a clock that had been set back since the copy.

    NOTE: nobody sets a time of change (NTFS, ext). The copy of a file that nobody wrote since is
    no later than the file; a copy that was written on the new drive is later than the moment.
    """
    if moment.changed is None or old.changed is None or new.changed is None:
        return False
    one = (old.kind, old.node, old.created) == (new.kind, new.node, new.created)
    return one and old.changed < new.changed <= moment.changed


def _later(item: Difference, since: Meaning, moment: Moment, kind: Open | None) -> Meaning:
    """Return what later use means of a file that programs may hold open."""
    if since.since == "source" and kind is Open.REGISTRY:
        return COPIED_OPEN
    if since is not OLD_WORK or item.source is None:
        return since
    missed = _missed(item.source, moment.time_of(item.source) or 0, moment)
    return OLD_STORE if missed is OLD_WORK and kind is Open.STORE else missed


def later_use(item: Difference) -> Meaning | None:
    """Return whose later use a difference of one name is, by the moment; `None`: nobody's."""
    moment, old, new = item.volume.survey.moment, item.source, item.target
    if moment is None or old is None or new is None:
        return None
    before, after = moment.is_after(old), moment.is_after(new)
    if before and after:
        return _new(new) if (new.modified or 0) > (old.modified or 0) else _old(old)
    if before:
        return _old(old)
    return _new(new) if after else None


def _under_one_time(
    item: Difference, old: Entry, moment: Moment, kind: Open | None
) -> Meaning | None:
    age = _age(old, moment)
    if moment.is_wrong(old):
        return None
    if kind in {Open.REGISTRY, Open.LOG}:
        return COPIED_OPEN if age <= _LONGEST_OPEN_NANOSECONDS else None
    moving = habit_of(item.path) is Habit.MOVING
    if (moving or kind is Open.STORE) and age <= NEAR_NANOSECONDS:
        return COPIED_OPEN
    return None


def _meanwhile(item: Difference, old: Entry, moment: Moment) -> Meaning | None:
    """Return what it means that a write of the running system came too late for the copy."""
    time = moment.time_of(old)
    if time is None or moment.copied_from is None or not moment.copied_from <= time:
        return None
    if item.target is not None and (item.target.modified or 0) > (old.modified or 0):
        return None
    return COPIED_MEANWHILE if is_work(old) else OLD_MACHINE


def _one_time(old: Entry, new: Entry, step: int) -> bool:
    if old.modified is None or new.modified is None:
        return True
    return abs(new.modified - old.modified) <= step


def _age(old: Entry, moment: Moment) -> int:
    """Return how long before the moment something was last written; less than 0 after it."""
    return moment.newest - (old.modified or 0)


def _missed(old: Entry, time: int, moment: Moment) -> Meaning:
    """Return what a write means that is newer than all files of the copy.

    NOTE: what the volume keeps beside its files may be newer still: then it was copied part by
    part, or lost what was written last.
    """
    if time <= moment.copied and is_work(old):
        return COPIED_MEANWHILE
    return _old(old)


def _old(entry: Entry) -> Meaning:
    return OLD_WORK if is_work(entry) else OLD_MACHINE


def _new(entry: Entry) -> Meaning:
    return NEW_WORK if is_work(entry) else NEW_MACHINE


def _is_zeros(entry: Entry) -> bool:
    known = entry.digest is not None and 0 < entry.size <= _LARGEST_ZEROS
    return known and entry.digest == _digest_of_zeros(entry.size)


@cache
def _digest_of_zeros(size: int) -> str:
    """Return the BLAKE3 of so many bytes of zeros."""
    digest, step = blake3(), bytes(1 << 20)
    for at in range(0, size, len(step)):
        digest.update(step[: size - at])
    return digest.hexdigest()
