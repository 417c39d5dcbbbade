"""What a difference of one file means, by its path's habit and by what its times say."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.filesystem.entry import NOT_TRIED
from verify.matching import weigh_by_moment
from verify.matching.exclusions import Excuses
from verify.matching.habits import Habit, habit_of
from verify.matching.level import Level
from verify.matching.pair_contents import Meaning
from verify.matching.survey import FAT_TIME_STEP_NANOSECONDS
from verify.matching.traces import is_opened_from_mail
from verify.text.message import say

if TYPE_CHECKING:
    from verify.filesystem.entry import Entry
    from verify.matching.pair_contents import Difference

EXPECTED_HABITS = frozenset({Habit.LEFT_OUT, Habit.REWRITTEN})

_RUNNING = frozenset({Habit.MOVING, Habit.HELD})

DAMAGED = Meaning(
    Level.STOP,
    say("is damaged on one of the drives: same modification time, different contents"),
    say("are damaged on one of the drives: same modification times, different contents"),
    say(
        "Open both versions. If the one on the old drive is intact, copy it"
        " again, then check again."
    ),
)
OLD_IS_NEWER = Meaning(
    Level.STOP,
    say("is newer on the old drive: it was changed there after the clone"),
    say("are newer on the old drive: they were changed there after the clone"),
    say("Copy the newer version from the old drive, or clone again."),
)
NEW_IS_NEWER = Meaning(
    Level.REVIEW,
    say("is newer on the new drive: it was changed there after the clone"),
    say("are newer on the new drive: they were changed there after the clone"),
    say("Find out whether the new drive was used after the clone; if not, clone again."),
)
SYSTEM_MOVED_ON = Meaning(
    Level.REVIEW,
    say("of the system or a program is newer on the old drive, as after the system kept running"),
    say(
        "of the system or of programs are newer on the old drive, as after the system kept running"
    ),
    say("Find out whether the old drive was started after the clone; if in doubt, clone again."),
)
HELD_OPEN = Meaning(
    Level.REVIEW,
    say("differs although its date matches, as a file does that a running system keeps open"),
    say("differ although their dates match, as files do that a running system keeps open"),
    say(
        "If the clone was made while the system ran, start from the new drive"
        " once; if not, clone again."
    ),
)
MISSING = Meaning(
    Level.STOP,
    say("is missing on the new drive"),
    say("are missing on the new drive"),
    say("Copy it from the old drive, or clone again, before the old drive is wiped."),
)


MISSING_UNREADABLE = Meaning(
    Level.STOP,
    say("is missing on the new drive and could not be read on the old one"),
    say("are missing on the new drive and could not be read on the old one"),
    say("Take it from a backup; have the old drive read again before it is wiped."),
)
EXTRA = Meaning(
    Level.NOTE,
    say("is on the new drive only"),
    say("are on the new drive only"),
    say("Find out whether the new drive was started or used after the clone."),
)
UNSYNCHRONISED = Meaning(
    Level.REVIEW,
    say("of the offline files is missing: it may hold changes that no server has yet"),
    say("of the offline files are missing: they may hold changes that no server has yet"),
    say("Start the old system, let it synchronise its offline files, and clone again."),
)
RESPELT = Meaning(
    Level.REVIEW,
    say("has the same name in different upper and lower case on the new drive"),
    say("have the same names in different upper and lower case on the new drive"),
    say("Rename it as on the old drive if a program depends on the case of its name."),
)
OPENED_FROM_MAIL = Meaning(
    Level.REVIEW,
    say("in a folder of temporary files is missing: a document, perhaps its owner's only copy"),
    say("in folders of temporary files are missing: documents, perhaps their owners' only copies"),
    say("Ask its owner, or copy it from the old drive."),
)
STREAM_LOST = Meaning(
    Level.REVIEW,
    say("has different named streams on the new drive"),
    say("have different named streams on the new drive"),
    say("If the named streams matter, clone whole partitions again, not file by file."),
)

# Expected changes: each is one sentence a partition, which its number and size begin.
LEFT_OUT = Meaning(
    Level.NOTE,
    say(
        "differs or is missing, as most cloning tools intend: page, hibernation"
        " or swap file, snapshot, recycle bin, or a folder emptied at each start"
    ),
    say(
        "differ or are missing, as most cloning tools intend: page, hibernation"
        " or swap files, snapshots, the recycle bin, or folders emptied at each"
        " start"
    ),
    say("Nothing to do; the system creates them again."),
    expected=True,
)
REWRITTEN = Meaning(
    Level.NOTE,
    say(
        "differs because it stores its own drive's identity: a boot store or a"
        " recovery configuration"
    ),
    say(
        "differ because they store their own drive's identity: a boot store or a"
        " recovery configuration"
    ),
    say("Nothing to do if the new drive and its recovery environment start."),
    expected=True,
)
MOVING = Meaning(
    Level.NOTE,
    say("differs because a running system writes it all the time: a log, a cache, a registry file"),
    say("differ because a running system writes them all the time: logs, caches, registry files"),
    say("Nothing to do if the clone was made while the system ran."),
    expected=True,
)
_EXPECTED = {
    Habit.LEFT_OUT: LEFT_OUT,
    Habit.REWRITTEN: REWRITTEN,
    Habit.MOVING: MOVING,
    Habit.HELD: MOVING,
}


def is_expected(path: str) -> bool:
    """Whether a difference there is an expected change, whatever the times say."""
    return habit_of(path) in EXPECTED_HABITS


def is_moving(entry: Entry) -> bool:
    """Whether a running system writes it all the time."""
    return habit_of(entry.path) is Habit.MOVING


def weigh_missing(item: Difference) -> Meaning:
    """Return what a file's absence from the new drive means."""
    found = _excused(item, MISSING) or _weigh_missing(item)
    unread = item.source is not None and item.source.unhashed not in {None, NOT_TRIED}
    return MISSING_UNREADABLE if unread and found is MISSING else found


def weigh_extra(item: Difference) -> Meaning:
    """Return what a file's absence from the old drive means."""
    return _excused(item, EXTRA) or _weigh_extra(item)


def _excused(item: Difference, otherwise: Meaning) -> Meaning | None:
    """Return what excuses an absence without asking when the volume was copied."""
    habit = habit_of(item.path, root=item.volume.survey.root, excuses=Excuses.ABSENCE)
    if habit in EXPECTED_HABITS:
        if otherwise is not MISSING or not is_opened_from_mail(item.path):
            return _EXPECTED[habit]
        found = _weigh_missing(item)
        return OPENED_FROM_MAIL if found is MISSING else found
    if habit is Habit.UNSYNCHRONISED and otherwise is MISSING:
        return UNSYNCHRONISED
    if item.volume.survey.respelt(item.path):
        return RESPELT if otherwise is MISSING else weigh_by_moment.EARLIER_NAME
    moment = item.volume.survey.moment
    if habit is Habit.MOVING and (moment is None or moment.is_wrong(item.source)):
        return _EXPECTED[habit]
    return None


def _weigh_missing(item: Difference) -> Meaning:
    moment = item.volume.survey.moment
    if moment is None or item.source is None:
        return MISSING
    return weigh_by_moment.weigh_missing(item, item.source, moment, MISSING)


def _weigh_extra(item: Difference) -> Meaning:
    moment = item.volume.survey.moment
    if moment is None or item.target is None:
        return EXTRA
    return weigh_by_moment.weigh_extra(item, item.target, moment, EXTRA)


def weigh_stream(item: Difference) -> Meaning:
    """Return what other named streams mean."""
    habit = habit_of(item.path, root=item.volume.survey.root)
    if habit in EXPECTED_HABITS:
        return _EXPECTED[habit]
    return weigh_by_moment.later_use(item) or STREAM_LOST


def weigh_change(item: Difference) -> Meaning:
    """Return what other contents or another size mean.

    The times decide: the same time under other bytes is damage, a newer side was used since.
    """
    habit = habit_of(item.path, root=item.volume.survey.root)
    if habit in EXPECTED_HABITS:
        return _EXPECTED[habit]
    moment = item.volume.survey.moment
    told = moment is not None and not (habit is Habit.MOVING and moment.is_wrong(item.source))
    if told and moment is not None and item.source is not None and item.target is not None:
        return weigh_by_moment.weigh_change(item, item.source, item.target, moment) or DAMAGED
    later = later_by(item)
    if later is None or abs(later) <= FAT_TIME_STEP_NANOSECONDS:
        return HELD_OPEN if habit in _RUNNING else DAMAGED
    if habit in _RUNNING:
        return _EXPECTED[habit]
    if later > 0:
        return NEW_IS_NEWER
    return SYSTEM_MOVED_ON if habit is Habit.SYSTEM else OLD_IS_NEWER


def later_by(item: Difference) -> int | None:
    """Return by how many nanoseconds the target's modification is later; `None`: not known."""
    if item.source is None or item.target is None:
        return None
    old, new = item.source.modified, item.target.modified
    return None if old is None or new is None else new - old
