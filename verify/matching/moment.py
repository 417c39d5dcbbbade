"""When a volume was copied, and what else a comparison of two whole listings tells of a path."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from verify.filesystem.description import KeptTime
from verify.filesystem.entry import Entry
from verify.matching.kept_times import Evidence
from verify.matching.traces import is_work


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """The newest that a volume of the target holds from before it was used on its own.

    All times in nanoseconds since 1970 UTC, as the filesystem keeps them. `changed`, `modified`:
    the newest times of these two sorts, each `None` where most files do not share it; the copy was
    made then, or later but before anything was written on the source. `path`: whose it is.
    `used_from`: when the target was first written to afterwards. `copied_from`: where the system
    wrote while the volume was copied, the first of those writes that the copy lacks. `kept`: the
    newest time that the volume keeps beside its files and the clone brought along. `step`: times
    that are no further apart are the same (FAT: two seconds). `by_creation`: a creation time counts
    as one of modification, since a file that is copied in keeps the latter, and no time of change
    is kept (FAT, exFAT). `wrong_from`: from here on times tell nothing: a clock that was wrong
    before the copy may have written them.
    """

    changed: int | None
    modified: int | None
    path: str
    used_from: int | None = None
    copied_from: int | None = None
    kept: KeptTime | None = None
    step: int = 0
    by_creation: bool = False
    wrong_from: int | None = None

    @property
    def newest(self) -> int:
        """The moment itself: when the last change was made that the copy holds."""
        return (self.changed if self.changed is not None else self.modified) or 0

    @property
    def copied(self) -> int:
        """When the copy was made, at the earliest, by all that the volume tells."""
        return max(self.newest, self.kept.at if self.kept is not None else 0)

    def is_after(self, entry: Entry | None) -> bool:
        """Whether something was last written, or renamed, after the copy was made.

        NOTE: a modification time can be set to anything; one counts only where the filesystem's
        own time of change does not speak against it.
        """
        if entry is None or self.is_wrong(entry):
            return False
        if self.changed is not None and entry.changed is not None:
            if entry.changed > self.changed + self.step:
                return True
            if entry.changed < self.changed:
                return False
        written = self._written(entry)
        if self.modified is None or written is None:
            return False
        return written > self.modified + self.step

    def is_wrong(self, entry: Entry | None) -> bool:
        """Whether the time of an entry is of a clock that was wrong, and tells nothing."""
        if entry is None:
            return False
        time = self.time_of(entry)
        return self.wrong_from is not None and time is not None and time >= self.wrong_from

    def time_of(self, entry: Entry) -> int | None:
        """Return the time of an entry that this moment is of."""
        return entry.changed if self.changed is not None else self._written(entry)

    def _written(self, entry: Entry) -> int | None:
        return put_there(entry) if self.by_creation else entry.modified


@dataclass(slots=True)
class Survey:
    """What both listings of a pair tell together; made once, and only where something differs.

    `root`: the volume is the root of a Linux system. `reason`: why there is no moment. `evidence`:
    what both volumes keep beside the times of their files. `became`:
    names on the target alone, by their node; `was`: names on the source alone, likewise (both empty
    where nodes were not kept). `spelt`: names on the target alone, by their name without case,
    `spelt_before` those on the source (both empty where case tells names apart).
    `folders`: those of the source that lie there alone, or have other times than on the target;
    `folders_there`: the same of the target; `dated_folders`: whether a folder keeps the time at
    which a name was put into it.
    """

    root: bool = False
    moment: Moment | None = None
    evidence: list[Evidence] = field(default_factory=list)
    reason: str = ""
    became: dict[int, Entry] = field(default_factory=dict)
    was: dict[int, Entry] = field(default_factory=dict)
    spelt: dict[str, Entry] = field(default_factory=dict)
    spelt_before: dict[str, Entry] = field(default_factory=dict)
    folders: dict[str, Entry] = field(default_factory=dict)
    folders_there: dict[str, Entry] = field(default_factory=dict)
    dated_folders: bool = True

    def found_as(self, entry: Entry) -> Entry | None:
        """Return what a file or folder of the source alone is called on the target."""
        there = self.became.get(entry.node)
        return there if there is not None and is_one_file(entry, there) else None

    def came_from(self, entry: Entry) -> Entry | None:
        """Return what a file or folder of the target alone is called on the source."""
        here = self.was.get(entry.node)
        return here if here is not None and is_one_file(here, entry) else None

    def respelt(self, path: str) -> tuple[Entry, Entry] | None:
        """Return both sides of a name that differs in case alone."""
        key = path.casefold()
        here, there = self.spelt_before.get(key), self.spelt.get(key)
        return (here, there) if here and there and is_same_file(here, there) else None

    def put_there_at(self, entry: Entry) -> int | None:
        """Return when a name of the source alone was put into its folder, if the copy missed that.

        `None`: it was in the folder when that was copied.

        NOTE: whoever creates or renames a name sets the time of its folder (POSIX.1-2017, 4.9; NTFS
        does the same). So a folder whose copy is older than the name was copied before it came, and
        a name that a copy lost leaves its folder's time as it is. The root is in no listing.
        """
        moment, folder = self.moment, entry.path.rpartition("/")[0]
        if moment is None:
            return None
        time = moment.time_of(entry)
        if not folder or not self.dated_folders:
            return None if self._was_here(entry) else time
        here, there = self.folders.get(folder), self.folders_there.get(folder)
        if here is None:
            return None
        if there is None:
            # NOTE: its folder may have a name that programs give too, such as "History".
            return None if self._was_here(entry) else self.put_there_at(here)
        copied = moment.time_of(there)
        if entry.created is not None and copied is not None and entry.created > copied:
            return entry.created
        came_later = moment.is_after(entry) and moment.is_after(here)
        return time if came_later and not self._was_here(entry) else None

    def _was_here(self, entry: Entry) -> bool:
        """Whether it was made before the moment, and only renamed or written since.

        NOTE: programs that install themselves bring such times along.
        """
        return self.was_made_before(entry) and is_work(entry)

    def was_made_before(self, entry: Entry) -> bool:
        """Whether the creation time of something is that of the moment, or earlier."""
        moment = self.moment
        if moment is None or entry.created is None:
            return False
        if moment.by_creation:
            return entry.created <= moment.newest + moment.step
        return moment.changed is not None and entry.created <= moment.changed

    def was_taken_away(self, path: str) -> bool:
        """Whether a name of the target alone was deleted or renamed on the source after the copy.

        That sets the time of its folder; of a name in the root, or in a folder of FAT or exFAT, it
        is not known, so that a file that somebody put on the new drive is not taken for one.
        """
        folder = path.rpartition("/")[0]
        while folder and self.dated_folders:
            here, there = self.folders.get(folder), self.folders_there.get(folder)
            if here is not None:
                times = here.changed or here.modified, there and (there.changed or there.modified)
                return (times[0] or 0) > (times[1] or 0)
            if there is None:
                return False
            folder = folder.rpartition("/")[0]
        return False

    def has_changed(self, path: str) -> bool:
        """Whether the folder of a path was written on the source after the moment."""
        folder = path.rpartition("/")[0]
        if not folder or not self.dated_folders:
            return True
        return self.moment is not None and self.moment.is_after(self.folders.get(folder))

    def has_changed_there(self, path: str) -> bool:
        """Whether the folder of a path was written on the target after the moment."""
        there = self.folders_there.get(path.rpartition("/")[0])
        return self.moment is not None and self.moment.is_after(there)


def put_there(entry: Entry) -> int | None:
    """Return when a file was put where it is, or last written: the later of both times."""
    if entry.modified is None or entry.created is None:
        return entry.modified
    return max(entry.modified, entry.created)


def is_one_file(old: Entry, new: Entry) -> bool:
    """Whether two names with one node are one file: made at one time, or with the same contents."""
    if old.kind != new.kind:
        return False
    if old.created is not None and new.created is not None:
        return old.created == new.created
    return old.kind != "file" or is_same_file(old, new)


def is_same_file(old: Entry, new: Entry) -> bool:
    """Whether two names hold the same, as far as both were read."""
    if (old.kind, old.target, old.reparse) != (new.kind, new.target, new.reparse):
        return False
    if old.kind != "file":
        return True
    read = old.digest is not None and new.digest is not None
    blocks = dict(old.blocks), dict(new.blocks)
    if any(blocks[0][at] != blocks[1][at] for at in blocks[0].keys() & blocks[1].keys()):
        return False
    same = old.digest == new.digest if read else old.modified == new.modified
    return old.size == new.size and same


@dataclass(slots=True)
class Volume:
    """A pair of volumes that is surveyed when something asks for it, and then kept."""

    make: Callable[[], Survey] = Survey
    made: Survey | None = None

    @property
    def survey(self) -> Survey:
        """What both listings tell together."""
        if self.made is None:
            self.made = self.make()
        return self.made
