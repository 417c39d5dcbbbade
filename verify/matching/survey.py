"""Going through two listings for the moment of the clone, and for what was renamed since.

The moment is worked out here and not at capture: it takes both drives to tell a time that the
clone brought along from one that somebody wrote on the new drive, and jobs filed earlier get theirs
when they are judged again. A segment that is alike on both sides is searched for its newest time
alone.

    newest time that both drives share
      <= newest time of a version that the old drive has replaced, or of a name that it lost
      <= the moment
      <  first time that was written on the new drive alone
"""

from __future__ import annotations

import re
from array import array
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

from verify.filesystem.entry import CASE_SENSITIVE
from verify.matching.habits import Habit, habit_of
from verify.matching.kept_times import Evidence, evidence
from verify.matching.moment import Moment, Survey, put_there
from verify.matching.traces import is_work
from verify.text.message import say

if TYPE_CHECKING:
    from verify.filesystem.entry import Entry
    from verify.manifest.header import Header, Partition
    from verify.manifest.listing_rows import ListingRows
    from verify.text.message import Message

SECOND = 1_000_000_000

FAT_TIME_STEP_NANOSECONDS = 2 * SECOND
"""FAT keeps times to two seconds (Microsoft, FAT specification)."""

LONGEST_COPY_NANOSECONDS = 12 * 3600 * SECOND
"""A volume whose system runs on is copied within that (common practice)."""

_CLOCKS_APART_NANOSECONDS = 26 * 3600 * SECOND
"""Local times of two places are at most 26 hours apart (UTC-12 to UTC+14); a time that is further
beyond the capture is a wrong one."""

_ENOUGH_WRITES = 3
"""So many writes that a copy lacks, all before its newest, are the system's at work."""

_WRONG_CLOCK_NANOSECONDS = 31 * 24 * 3600 * SECOND
"""What was written under a wrong clock may be so much older than what is left of it."""

_END_OF_TIME = 1 << 63

_SHARED = 10
"""One name in so many has to have the same time on both drives: a copy made file by file has none,
and a busy volume leaves half of its names untouched (common practice)."""

_MOST_NAMES = 1_000_000

_OWN_STEPS = re.compile(
    r"/(EFI|Boot|Recovery|System Volume Information|\$Recycle\.Bin|\$Extend|lost\+found"
    r"|\.Trash-[^/]*|RECYCLE[RD])(/.*)?"
    r"|/EFI/.*|/Windows/System32/Recovery(/.*)?"
    r"|(/boot)?/grub[^/]*(/.*)?|/etc/fstab",
    re.IGNORECASE | re.DOTALL,
)
"""What a clone's own last steps or a first attaching write: these are no sign of later use.
Common practice: a rewritten boot store or recovery configuration, the folders that a system makes
on any volume it sees."""

_ROOT_MARKS = frozenset(
    {"/etc/passwd", "/etc/os-release", "/usr/lib/os-release", "/sbin/init", "/usr/sbin/init"}
)
"""FHS 3.0, 3.7 and 3.16; os-release(5): a Linux system's root has one of them."""

Name = Literal["changed", "modified", "put there"]

_ROW = re.compile(rb'^\{"kind":"(\w+)","path":"((?:[^"\\]|\\.)*)"')
_TIMES = {
    "changed": re.compile(rb',"changed":(-?\d+)'),
    "modified": re.compile(rb',"modified":(-?\d+)'),
    "created": re.compile(rb',"created":(-?\d+)'),
}
_NAMES: dict[Name, tuple[str, ...]] = {
    "changed": ("changed",),
    "modified": ("modified",),
    "put there": ("modified", "created"),
}

NOTHING_SHARED = say(
    "most files have different times on the new drive, as after copying file by file"
)
NO_TIMES = say("no file has the same time on both drives")
ALL_LATER = say("all its dates are later than the clock of the computer that checked it")


def survey(
    old: ListingRows,
    new: ListingRows,
    *,
    partitions: tuple[Partition, Partition],
    headers: tuple[Header, Header],
) -> Survey:
    """Go through both listings of a pair once.

    Raises:
        ManifestAltered: a row of a manifest is damaged.
    """
    families = {side.filesystem.traits.family for side in partitions}
    step = FAT_TIME_STEP_NANOSECONDS if "fat" in families else 0
    found = Survey(dated_folders=not families & {"fat", "exfat"})
    limits = [
        header.capture.ended * SECOND + _CLOCKS_APART_NANOSECONDS for header in reversed(headers)
    ]
    limit = limits[0]
    names: tuple[Name, ...] = ("changed", "modified")
    if not found.dated_folders:
        names = ("changed", "put there", "modified")
    clocks = tuple(_Clock(name, limit, max(limits), step) for name in names)
    caseless = all(side.filesystem.traits.caseless for side in partitions)
    going = _Going(found, clocks, caseless=caseless)
    going.through(old, new)
    if all(side.filesystem.traits.system != "linux" for side in partitions):
        found.root = False
    going.settle(step)
    found.evidence = evidence(*partitions, _END_OF_TIME if going.ran_ahead else limit)
    if found.moment is not None:
        found.moment = _with_evidence(found.moment, found.evidence)
    return found


def _with_evidence(moment: Moment, known: list[Evidence]) -> Moment:
    """Return a moment with what the volumes tell beside the times of their files."""
    used = [item.new.at for item in known if item.used and item.new.at > moment.newest]
    if moment.used_from is not None:
        used.append(moment.used_from)
    used_from = min(used, default=None)
    brought = (item.new for item in known if item.brought_along)
    before = (time for time in brought if used_from is None or time.at < used_from)
    kept = max(before, key=lambda time: time.at, default=None)
    return replace(moment, used_from=used_from, kept=kept)


@dataclass(slots=True)
class _Clock:
    """One sort of time, as both sides keep it; times beyond `limit` are wrong ones.

    Of folders only the filesystem's own says anything: that of change, or of being put there.

    `last`: what neither check had reached. `wrong`, `wrong_path`: the newest of the wrong times
    that both sides share, and whose it is; `first_wrong`: the oldest that the target has.
    """

    name: Name
    limit: int
    last: int
    step: int
    pairs: int = 0
    common: int = 0
    newest: int | None = None
    path: str = ""
    wrong: int | None = None
    wrong_path: str = ""
    first_wrong: int = _END_OF_TIME
    replaced: array[int] = field(default_factory=lambda: array("q"))
    written: array[int] = field(default_factory=lambda: array("q"))
    lost: array[int] = field(default_factory=lambda: array("q"))
    later: array[int] = field(default_factory=lambda: array("q"))
    machine: array[int] = field(default_factory=lambda: array("q"))

    def time(self, entry: Entry) -> int | None:
        """Return this sort of time."""
        if self.name == "changed":
            return entry.changed
        if self.name == "put there":
            return put_there(entry)
        return entry.modified if entry.kind == "file" else None

    def share_line(self, line: bytes, row: re.Match[bytes], path: str) -> None:
        """Take a row that both sides have alike, without parsing it."""
        if self.name == "modified" and row[1] != b"file":
            return
        times = [_TIMES[name].search(line, row.end()) for name in _NAMES[self.name]]
        if times[0] is not None:
            self.share(max(int(time[1]) for time in times if time is not None), path)

    def share(self, time: int, path: str) -> None:
        """Take a time that both sides have."""
        self.pairs += 1
        self.common += 1
        if time > self.limit:
            self.first_wrong = min(self.first_wrong, time)
            if self.wrong is None or time > self.wrong:
                self.wrong, self.wrong_path = time, path
        elif self.newest is None or time > self.newest:
            self.newest, self.path = time, path

    def see(self, old: Entry, new: Entry, *, own_step: bool) -> None:
        """Take a name that is on both sides."""
        here, there = self.time(old), self.time(new)
        if here is None or there is None:
            return
        if abs(here - there) <= self.step:
            self.share(there, new.path)
            return
        self.pairs += 1
        if own_step:
            return
        if there > self.limit:
            self.first_wrong = min(self.first_wrong, there)
        if there > here:
            self.later.append(there)
            return
        self.replaced.append(there)
        self.written.append(here)
        if not is_work(old):
            self.machine.append(here)

    def see_lost(self, new: Entry) -> None:
        """Take a name that is on the target alone."""
        time = self.time(new)
        if time is not None:
            self.lost.append(time)

    def tell(self) -> tuple[int, int | None] | None:
        """Return the moment, and when the target was first used; `None`: it cannot be told."""
        if self.common * _SHARED <= self.pairs:
            return None
        newest, limit = self.newest, self.limit
        if self.ran_ahead():
            newest, limit = self.wrong, _END_OF_TIME
            self.path = self.wrong_path
        if newest is None:
            return None
        used = min((time for time in self.later if newest < time <= limit), default=None)
        brought = (time for time in (*self.replaced, *self.lost) if time <= limit)
        before = (time for time in brought if used is None or time < used)
        return max(newest, max(before, default=newest)), used

    def ran_ahead(self) -> bool:
        """Whether the system ran before and after the copy under a clock beyond the limit.

        So it is where the clock of the check was behind. The system went on writing under it, and
        nothing on either side was written after the copy under any other clock.
        """
        if self.wrong is None:
            return False
        right = range(0 if self.newest is None else self.newest + 1, self.limit + 1)
        if any(time in right for time in (*self.written, *self.later)):
            return False
        return sum(time > self.wrong for time in self.machine) >= _ENOUGH_WRITES

    def wrong_from(self) -> int | None:
        """Return from when on times tell nothing, since a wrong clock wrote them."""
        if self.ran_ahead():
            return None
        if self.first_wrong == _END_OF_TIME:
            # NOTE: other times than that of change are set by hand and brought along from elsewhere
            beyond = sum(time > self.last for time in self.machine)
            told = self.name != "changed" or beyond >= _ENOUGH_WRITES
            return None if told else self.last + 1
        return max(self.limit + 1, self.first_wrong - _WRONG_CLOCK_NANOSECONDS)


@dataclass(slots=True)
class _Going:
    """The state of going through both listings."""

    found: Survey
    clocks: tuple[_Clock, ...]
    caseless: bool
    names: int = 0
    nodes: int = 0
    ran_ahead: bool = False

    def through(self, old: ListingRows, new: ListingRows) -> None:
        """Go through both to their ends."""
        while True:
            if _begin_alike(old, new):
                old.pass_over()
                for line in new.rest_of_segment():
                    self._take_line(line)
                continue
            here, there = old.entry, new.entry
            if here is not None and there is not None and here.path != there.path:
                first = here.path.split("/") < there.path.split("/")
                here, there = (here, None) if first else (None, there)
            if here is not None:
                old.step()
            if there is not None:
                new.step()
            if here is None and there is None:
                return
            self._take(here, there)

    def _take_line(self, line: bytes) -> None:
        """Take a row that both sides have alike, without parsing it."""
        row = _ROW.match(line)
        if row is None:
            return
        path = row[2].decode("ascii")
        self.found.root = self.found.root or path in _ROOT_MARKS
        for clock in self.clocks:
            clock.share_line(line, row, path)

    def _take(self, old: Entry | None, new: Entry | None) -> None:
        found, one = self.found, new or old
        assert one is not None  # noqa: S101 - one side has it
        found.root = found.root or (old is not None and one.path in _ROOT_MARKS)
        own_step = bool(_OWN_STEPS.fullmatch(one.path)) or habit_of(one.path) is Habit.REWRITTEN
        if old is not None and new is not None:
            if old.created == new.created:  # NOTE: one that was made anew has another node
                self.names += 1
                self.nodes += old.node == new.node
            for clock in self.clocks:
                clock.see(old, new, own_step=own_step)
        elif new is not None and not own_step and found.was_taken_away(new.path):
            for clock in self.clocks:
                clock.see_lost(new)
        self._keep(old, new)

    def _keep(self, old: Entry | None, new: Entry | None) -> None:
        """Keep what may be one file under two names, and the folders that were written."""
        found = self.found
        if not _same_times(old, new):
            self._keep_folder(old, found.folders)
            self._keep_folder(new, found.folders_there)
        if old is not None and new is not None and old.node == new.node:
            if _got_a_name(old, new):
                _keep_node(found.became, new)
            return
        if new is not None:
            _keep_node(found.became, new)
        if old is not None:
            _keep_node(found.was, old)
        if not self.caseless or (old is not None and new is not None):
            return
        one = new or old
        if one is not None and not self._tells_case(one.path):
            kept = found.spelt if old is None else found.spelt_before
            if len(kept) < _MOST_NAMES:
                kept[one.path.casefold()] = one

    @staticmethod
    def _keep_folder(entry: Entry | None, into: dict[str, Entry]) -> None:
        if entry is not None and entry.kind == "folder":
            into[entry.path] = entry

    def _tells_case(self, path: str) -> bool:
        """Whether the folder of a name tells case apart; one that is not seen here has not changed.

        NOTE: of a folder alike on both sides nothing is kept; its names are looked up by case.
        """
        folder = self.found.folders.get(path.rpartition("/")[0])
        return folder is not None and bool((folder.attributes or 0) & CASE_SENSITIVE)

    def settle(self, step: int) -> None:
        """Work out the moment from all that was seen."""
        found = self.found
        told = {clock.name: answer for clock in self.clocks if (answer := clock.tell())}
        clock = next((clock for clock in self.clocks if clock.name in told), None)
        if clock is None:
            found.reason = self._reason()
        else:
            by_creation = clock.name == "put there"
            answer = told[clock.name]
            modified = answer if by_creation else told.get("modified")
            found.moment = Moment(
                changed=told["changed"][0] if "changed" in told else None,
                modified=modified[0] if modified else None,
                path=clock.path,
                used_from=answer[1],
                step=step,
                by_creation=by_creation,
                wrong_from=clock.wrong_from(),
            )
            self.ran_ahead = clock.ran_ahead()
            begun = self._copied_from(answer[0], clock)
            found.moment = replace(found.moment, copied_from=begun)
        if self.nodes * 10 < self.names * 9:
            found.became, found.was = {}, {}  # NOTE: a copy by files has nodes of its own

    def _reason(self) -> Message:
        """Return why no sort of time tells a moment."""
        if any(clock.newest is not None for clock in self.clocks):
            return NOTHING_SHARED
        return NO_TIMES if all(clock.wrong is None for clock in self.clocks) else ALL_LATER

    def _copied_from(self, moment: int, clock: _Clock) -> int | None:
        """Return when a volume began to be copied whose system wrote on meanwhile.

        Told by names that came after their folder was copied, and by what the system wrote: copies
        of which are older than other parts of the same copy. The first of these writes need not
        have been the first that was missed: as long again as they span is added.
        """
        first = moment - LONGEST_COPY_NANOSECONDS
        found = self.found
        # NOTE: what was moved into an older folder came before that, by its time of creation.
        new = [entry for entry in found.was.values() if found.found_as(entry) is None]
        came = [found.put_there_at(entry) for entry in new]
        names = [time for time in came if time is not None and first <= time <= moment]
        writes = [time for time in clock.machine if first <= time <= moment]
        if not names and len(writes) < _ENOUGH_WRITES:
            return None
        begun = min(*names, *writes, moment)
        return max(first, begun - (moment - begun))


def _begin_alike(old: ListingRows, new: ListingRows) -> bool:
    here, there = old.segment, new.segment
    return here is not None and there is not None and here.alike == there.alike


def _keep_node(known: dict[int, Entry], entry: Entry) -> None:
    if len(known) < _MOST_NAMES:
        known[entry.node] = entry


def _got_a_name(old: Entry, new: Entry) -> bool:
    """Whether a file was given one more name on the source: link(2) sets its time of change."""
    return old.links > new.links and (old.changed or 0) > (new.changed or 0)


def _same_times(old: Entry | None, new: Entry | None) -> bool:
    if old is None or new is None:
        return False
    return (old.modified, old.changed) == (new.modified, new.changed)
