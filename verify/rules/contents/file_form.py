"""A file is not whole by its own format, or holds zeros where the old drive has data.

## What it compares
Whatever the times say, at every depth, what must be whole to start or to log in: registry hives of
the system and of every account (header, checksum, length, chain of bins and cells, root key), boot
stores, loaders, kernel, drivers (section table inside the file, checksum where one is set and all
of the file is read, kind of machine), recovery images (header, resource table inside the file, the
image that starts), configurations (well-formed XML; no zero bytes in text). And of any file that
was read on both drives: blocks of 4,096 bytes, or the end of it, or all of it, that are zeros on
the new drive alone.

## Why it matters
A copy made from a running system has registry files with other times than the old drive. The
times would then excuse any difference, even a registry of all zeros, with which nobody can log
in.

## Levels
- `stop`: whole on the old drive and not on the new one; or another fault than the old drive's;
  zeros where the old drive has data.
- `review`: a hive that was in the middle of a change (its sequence numbers differ) and is not
  whole, with a log beside it that may hold the rest, or without any; a damaged file that the old
  drive does not have; zeros in a file of a kind that programs lay out ahead or clear themselves
  (logs, journals, databases, virtual disks, downloads).
- `note`: the old drive has the same fault.
- not examined: files that could not be read; captures of versions that did not look.

A whole hive in the middle of a change, with its log, is no fault. Where zeros lie is not
recorded, only how many blocks there are: so a file of another length counts only if all of it is
zeros. Files with space reserved ahead that are newer on the old drive, where they went on filling
up, count only if all their bytes are zeros. Named streams, and system files that Windows keeps
compressed, are not looked at here; their bytes are compared by `file-content`.

## What to do
Copy the file again from the old drive, or clone again.

## Sources
docs/formats on hives, WIM images and configurations; Microsoft, "PE Format"; the kinds of files and
where each is described: `verify/matching/zeroed.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.boot.file_form import FileForm
from verify.matching.level import Level
from verify.rules.contents.gather import FEW, folder_of, tell_gathered
from verify.rules.rule import Area, Rule
from verify.text.message import Message, say
from verify.text.words import NEW, OLD

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.rule import Case, RuleAnswer

MOST_TOLD = 40
"""Findings about files of one partition; the rest are one finding."""

_COPY = say("Copy it again from the old drive, or clone again.")
_REPAIR = say(
    "The old drive has no good copy: take it from a backup, or let the system repair its own files."
)
_LOOK = say("Start from the new drive once, then check again; if in doubt, clone again.")
_OWN = say("Nothing to do for the clone; let the system repair its own files (sfc, fsck).")

_KINDS = {
    "hive": say("A registry file"),
    "program": say("A program file"),
    "image": say("A system image"),
    "xml": say("A configuration file"),
    "text": say("A configuration file"),
    None: say("A program file"),
}


@dataclass(frozen=True, slots=True)
class _Told:
    """What is told of one file."""

    level: Level
    form: FileForm
    fault: str
    ending: Message
    advice: Message


def judge(case: Case, answer: RuleAnswer) -> None:
    """Hold every file's form to that on the old drive, then tell of zeros."""
    for old, new in case.matched:
        if old.boot is not None and new.boot is not None:
            told = _judge_forms(answer, old, new)
            _tell(answer, new.number, told)
    for number, files in sorted(case.contents.pairs.items()):
        answer.compared(files.totals.hashed)
        tell_gathered(answer, number, files.zeroed)


def _judge_forms(answer: RuleAnswer, old: Partition, new: Partition) -> list[_Told]:
    """Judge the files of one pair of partitions."""
    assert old.boot is not None and new.boot is not None  # noqa: S101, PT018 - asked by `judge`
    if old.boot.forms is None or new.boot.forms is None:
        answer.leave_out(
            say(
                "one of the drives was captured by an older version, which did not check"
                " file formats"
            )
        )
        return []
    before = {item.path.lower(): item for item in old.boot.forms}
    told = []
    for form in new.boot.forms:
        was = before.get(form.path.lower())
        unread = [
            (side.unread, drive)
            for side, drive in ((was, OLD), (form, NEW))
            if side is not None and side.unread is not None
        ]
        for reason, drive in unread:
            answer.leave_out(
                say(
                    "{path} on the {drive} drive could not be checked by its format: {reason}",
                    path=form.path,
                    drive=drive,
                    reason=reason,
                )
            )
        if unread:
            continue
        answer.compared()
        if (found := _weigh(was, form)) is not None:
            told.append(found)
    return told


def _weigh(was: FileForm | None, form: FileForm) -> _Told | None:
    """Return what there is to tell of a file, the first fault that is the clone's before others."""
    faults = _faults(was, form)
    if was is None:
        ending = say("the old drive does not have that file")
        return _Told(Level.REVIEW, form, faults[0], ending, _REPAIR) if faults else None
    own = [fault for fault in faults if fault not in was.faults]
    if own:
        pending = form.dirty and (form.logged or own == [_NO_LOG])
        ending = say("on the old drive it has another fault") if was.faults else _WHOLE
        return _Told(
            Level.REVIEW if pending else Level.STOP,
            form,
            own[0],
            ending,
            _LOOK if pending else _REPAIR if was.faults else _COPY,
        )
    if faults:
        return _Told(
            Level.NOTE, form, faults[0], say("on the old drive it has the same fault"), _OWN
        )
    return None


_WHOLE = say("on the old drive it is intact")
_NO_LOG = say("was saved in the middle of a change, and there is no log with the rest")


def _faults(was: FileForm | None, form: FileForm) -> list[str]:
    """Return what is wrong with a file, also by what it is on the old drive."""
    faults: list[str] = list(form.faults)
    if form.dirty and not form.logged and not (was and was.dirty and not was.logged):
        faults.append(_NO_LOG)
    if was is None or faults or was.faults:
        return faults
    if was.form is not None and form.form is None:
        faults.append(say("is not a valid program"))
    elif was.machine != form.machine and was.machine and form.machine:
        faults.append(
            say(
                "is for another processor type ({found}, not {wanted})",
                found=form.machine,
                wanted=was.machine,
            )
        )
    elif was.boot_index != form.boot_index:
        faults.append(
            say(
                "starts image {new} (on the old drive: image {old})",
                new=form.boot_index or 0,
                old=was.boot_index or 0,
            )
        )
    return faults


def _tell(answer: RuleAnswer, partition: int, told: list[_Told]) -> None:
    """Tell few files of a folder one by one, many of them together."""
    groups: dict[tuple[Level, str, Message], list[_Told]] = {}
    for item in told:
        key = item.level, folder_of(item.form.path), item.advice
        groups.setdefault(key, []).append(item)
    lines = sorted(groups.items(), key=lambda group: group[0][0].weight)
    room = MOST_TOLD
    for (level, folder, _), items in lines:
        first = items[0]
        if len(items) > FEW or room <= 0:
            message = say(
                "{count} files under this folder are damaged by their own format; the first"
                " one {fault}; {ending}.",
                count=len(items),
                fault=first.fault,
                ending=first.ending,
            )
            examples = (item.form.path for item in items[:FEW])
            answer.find(
                level,
                message,
                first.advice,
                partition=partition,
                path=folder,
                examples=examples if len(items) > 1 else (),
            )
            continue
        for item in items:
            message = say(
                "{what} of the new drive {fault}; {ending}.",
                what=_KINDS[item.form.form],
                fault=item.fault,
                ending=item.ending,
            )
            path = item.form.path
            answer.find(level, message, item.advice, partition=partition, path=path)
            room -= 1


RULE = Rule(
    slug="file-form",
    area=Area.CONTENTS,
    required=True,
    judge=judge,
    nothing=say("neither drive has files whose format can be checked, or none was read"),
    page=cleandoc(__doc__),
)
