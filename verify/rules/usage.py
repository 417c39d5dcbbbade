"""Signs that one drive went on being used after the clone, which two rules read alike."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING, Literal

from verify.matching.survey import FAT_TIME_STEP_NANOSECONDS
from verify.matching.weigh import is_expected
from verify.rules.later_use import tell_moment, tell_used_since
from verify.rules.rule import Level
from verify.rules.shared import name_of, was_resized
from verify.text.message import Message, counted, say
from verify.text.words import NEW, OLD

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.manifest.header import Partition
    from verify.matching.pair_contents import Difference, PairContents
    from verify.rules.rule import Case, RuleAnswer

Side = Literal["source", "target"]

_NO_SIGNS = say("no files were compared, and no filesystem or registry records its last write")


@dataclass(frozen=True, slots=True)
class Signs:
    """What tells of later use of one side: newer files, or a newer time of volume or registry."""

    newer_files: int
    example: str | None
    volume_newer: bool
    registry_newer: bool
    log_further: bool
    journal_further: bool
    mounted_later: bool

    @property
    def any(self) -> bool:
        """Whether there is a sign at all."""
        return bool(
            self.newer_files
            or self.volume_newer
            or self.registry_newer
            or self.log_further
            or self.journal_further
            or self.mounted_later
        )


def tell_later_use(
    case: Case, answer: RuleAnswer, side: Side, advice: Message, of_files: Message
) -> None:
    """Tell every partition that was written to later on `side` than on the other drive.

    `of_files`: the advice where it is known file by file what was written.
    """
    drive = OLD if side == "source" else NEW
    for old, new in case.matched:
        signs = signs_of_use(case, old, new, side)
        if signs is None:
            continue
        answer.compared()
        files = case.contents.pairs.get(new.number)
        if files is not None:
            tell_moment(answer, new.number, files)
            begin = say(
                "{partition} of the {drive} drive was used after the clone",
                partition=name_of(new),
                drive=drive,
            )
            if tell_used_since(answer, new.number, files, side, (begin, of_files)):
                continue
        if signs.any:
            what = _said(signs)
            message = say(
                "{partition} of the {drive} drive was written to after the clone: {what}.",
                partition=name_of(new),
                drive=drive,
                what=what,
            )
            answer.find(Level.NOTE, message, advice, partition=new.number, path=signs.example)
    if case.matched and not answer.comparisons:
        answer.leave_out(_NO_SIGNS)


def signs_of_use(case: Case, old: Partition, new: Partition, side: Side) -> Signs | None:
    """Return the signs that `side` was written to later than the other; `None`: nothing to go by.

    Files that both sides have are counted where their modification time is later on `side`. The
    volume's own time counts only where nobody resized it: a resize writes that time itself. The
    system's registry keeps its own, in its base block, and its number of writes. Positions in the
    logs of two NTFS volumes compare where they are one volume by its serial number, those in their
    journals of changes where both are one journal by its identifier.
    """
    files = case.contents.pairs.get(new.number)
    times = old.filesystem.last_written, new.filesystem.last_written
    by_volume = None not in times and not was_resized(case, old, new)
    registries = _registry_written(old), _registry_written(new)
    by_registry = None not in registries
    positions = old.filesystem.log_position, new.filesystem.log_position
    one_volume = old.filesystem.id is not None and old.filesystem.id == new.filesystem.id
    by_log = None not in positions and one_volume and not was_resized(case, old, new)
    notes = _notes(old, new)
    mounts = _mounted(old), _mounted(new)
    by_mount = None not in mounts
    if files is None and not (by_volume or by_registry or by_log or notes or by_mount):
        return None
    newer = [item for item in _differing(files) if _is_newer(item, side)]
    late, early = times if side == "source" else times[::-1]
    far, near = positions if side == "source" else positions[::-1]
    mounted, earlier = mounts if side == "source" else mounts[::-1]
    last, first = registries if side == "source" else registries[::-1]
    return Signs(
        newer_files=len(newer),
        example=newer[0].path if newer else None,
        volume_newer=by_volume and (late or 0) > (early or 0),
        registry_newer=by_registry and (last or ()) > (first or ()),
        log_further=by_log and (far or 0) > (near or 0),
        journal_further=notes is not None and _further(notes, side),
        mounted_later=by_mount and (mounted or 0) > (earlier or 0),
    )


def _mounted(partition: Partition) -> int | None:
    """Return when it was last mounted to be written, where the filesystem keeps that (ext)."""
    return next((time.at for time in partition.filesystem.kept if time.by == "mounted"), None)


def _notes(old: Partition, new: Partition) -> tuple[int, int] | None:
    """Return how far both are in what is one journal of changes; `None`: it is not."""
    mine, theirs = old.change_journal, new.change_journal
    if mine is None or theirs is None or mine.id != theirs.id:
        return None
    return mine.position, theirs.position


def _further(positions: tuple[int, int], side: Side) -> bool:
    old, new = positions
    return old > new if side == "source" else new > old


def _said(signs: Signs) -> Message:
    if signs.newer_files:
        return counted(
            "{count} file is newer there", "{count} files are newer there", signs.newer_files
        )
    if signs.volume_newer:
        return say("its last write is later")
    if signs.registry_newer:
        return say("the system's registry was written later")
    if signs.log_further:
        return say("the filesystem's journal has later entries")
    if signs.mounted_later:
        return say("it was last mounted later there")
    return say("the change journal has later entries")


def _registry_written(partition: Partition) -> tuple[int, int] | None:
    """Return when the system's registry was last written, and its count of writes, if it says.

    A base block whose checksum is wrong tells nothing.
    """
    registry = partition.boot.registry if partition.boot else None
    state = registry.state if registry else None
    if state is None or not state.intact or state.last_written is None:
        return None
    return state.last_written, state.primary_sequence


def _differing(files: PairContents | None) -> Iterator[Difference]:
    """Files on both sides that differ; not times alone where most times differ.

    None where the moment of the clone is known: that tells later use file by file, and a later date
    alone may be that of a file which an older one has replaced.

    What a clone itself rewrites (boot store, recovery configuration) tells of no use.

    NOTE: a copy made file by file gives most files new times, and that is no later use.
    """
    if files is None or (files.volume.made and files.volume.made.moment):
        return
    copied_by_files = files.retimed.count * 2 > files.totals.rows
    retimed = [] if copied_by_files else files.retimed.kept
    differing = chain(files.changed.kept, files.resized.kept, retimed)
    yield from (item for item in differing if not is_expected(item.path))


def _is_newer(item: Difference, side: Side) -> bool:
    if item.source is None or item.target is None or is_expected(item.path):
        return False  # NOTE: what a clone rewrites by itself is newer without any use
    old, new = item.source.modified, item.target.modified
    if old is None or new is None:
        return False
    late, early = (old, new) if side == "source" else (new, old)
    return late - early > FAT_TIME_STEP_NANOSECONDS
