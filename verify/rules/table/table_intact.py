"""A partition table is damaged, incomplete, or not where it belongs.

## What it compares
On a GPT drive both headers and both entry arrays with their checksums, the place of the backup,
and the protective MBR. On an MBR drive the boot record and the chain of logical partitions. The
target's are judged by the standard, and the source's beside them.

## Why it matters
The machine starts by the first copy of a GPT; the second, in the drive's last sector, is needed
when the first is damaged. A clone to a larger drive often leaves the second in the middle, where
nothing looks for it, and the next partitioning tool may take the drive for damaged.

## Levels
- `stop`: the primary GPT header or entry array is damaged; systems would not see the table.
- `review`: the backup header or array is damaged, missing, or not in the last sector; two
  answers that contradict each other; a record or chain that cannot be followed.
- `note`: the protective MBR covers another size; a hybrid MBR; an old GPT left on an MBR drive; a
  departure from the standard that invalidates nothing; any fault that the old drive has too.
- not examined: what the old drive's own table says is not certain.

## What to do
Let a partitioning tool move the backup table to the end of the new drive, or rebuild the damaged
copy from the good one, then check again. Erase the remains of an older table.

## Sources
UEFI 2.10 sections 5.2.1, 5.2.3 and 5.3.2 (the tests of a header; the backup in the last block; it
has to be moved when a drive grows; size of the protective record).
"""

from __future__ import annotations

from dataclasses import dataclass
from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule, Value
from verify.rules.shared import tell_fault
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.manifest.header import Header
    from verify.rules.rule import Case, RuleAnswer
    from verify.table.partition_table import GptHeader, MbrRecord, Table

_REBUILD = say("Rebuild it from the good copy with a partitioning tool, then check again.")
_MOVE = say(
    "Move the backup table to the end of the drive with a partitioning tool, then check again."
)
_LOOK = say("Check the table with a partitioning tool before the new drive is used.")
_HARMLESS = say("Everything works all the same; a partitioning tool corrects it.")
_COPIES = {"primary": say("The primary GPT"), "backup": say("The backup GPT")}
_CHECKED_PARTS = {"gpt": 5, "mbr": 1, "none": 0}
"""Two headers, two arrays and the protective record; or one boot record."""


@dataclass(frozen=True, slots=True)
class _Fault:
    level: Level
    subject: Message
    words: Message
    advice: Message
    value: Value = None
    should_be: Value = None


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge both tables by the standard, and tell the target's faults beside the source's."""
    answer.compared(_CHECKED_PARTS[case.target.table.scheme])
    same_scheme = case.source.table.scheme == case.target.table.scheme
    old = faults(case.source) if same_scheme else {}
    new = faults(case.target)
    for key in dict.fromkeys((*new, *old)):
        on_source, on_target = old.get(key), new.get(key)
        fault = on_target or old[key]
        tell_fault(
            answer,
            fault.level,
            fault.subject,
            (on_source.words if on_source else None, on_target.words if on_target else None),
            fault.advice,
            values=(_value(case.source, key, on_source), _value(case.target, key, on_target)),
            # NOTE: two headers can fail one test by different damage.
            known=on_source == on_target,
        )
    _leave_out_uncertain(case, answer)
    _tell_ambiguous(case, answer)


def faults(header: Header) -> dict[str, _Fault]:
    """Return what is wrong with a drive's table, each under a key that is the same on any drive."""
    table = header.table
    if table.scheme == "gpt":
        return _gpt_faults(table)
    found: dict[str, _Fault] = {}
    if table.scheme == "mbr":
        if table.mbr and table.mbr.problem:
            words = say("does not follow the standard: {problem:clause}", problem=table.mbr.problem)
            found["record"] = _Fault(Level.REVIEW, say("The boot record"), words, _LOOK)
        found |= _followed(table, Level.REVIEW)
        if table.stale_gpt:
            words = say("still contains an old GPT that its boot record does not mention")
            found["stale"] = _Fault(Level.NOTE, say("The MBR"), words, _HARMLESS)
    return found


def _gpt_faults(table: Table) -> dict[str, _Fault]:
    found = _copy_faults("primary", table.primary, Level.STOP)
    found |= _copy_faults("backup", table.backup, Level.REVIEW)
    if table.backup and "backup" not in found:
        found |= _misplaced(table, table.backup)
    kind = table.mbr.kind if table.mbr else "none"
    unseen = kind not in {"protective", "hybrid"} or table.used is None
    found |= _followed(table, Level.STOP if unseen else Level.REVIEW)
    if kind == "hybrid":
        words = say("lists further partitions beside the protective one (a hybrid MBR)")
        found["hybrid"] = _Fault(Level.NOTE, say("The boot record"), words, _LOOK)
    if table.mbr and table.mbr.problem and not unseen:
        words = say("does not follow the standard: {problem:clause}", problem=table.mbr.problem)
        found["protective"] = _Fault(
            Level.NOTE, say("The protective boot record"), words, _HARMLESS
        )
    return found


def _copy_faults(which: str, header: GptHeader | None, level: Level) -> dict[str, _Fault]:
    subject = _COPIES[which]
    if header is None:
        words = say("has no readable header")
        return {which: _Fault(level, subject, words, _REBUILD)}
    if header.problem:
        words = say("has an invalid header: {problem:clause}", problem=header.problem)
        crc = header.header_crc32
        return {which: _Fault(level, subject, words, _REBUILD, crc.stored, crc.computed)}
    if header.entries_problem:
        words = say(
            "has an invalid entry array: {entries_problem:clause}",
            entries_problem=header.entries_problem,
        )
        crc = header.entries_crc32
        fault = _Fault(level, subject, words, _REBUILD, crc.stored, crc.computed)
        return {f"{which} entries": fault}
    return {
        f"{which} {remark}": _Fault(
            Level.NOTE,
            subject,
            say("departs from the standard: {remark:clause}", remark=remark),
            _HARMLESS,
        )
        for remark in header.remarks
    }


def _misplaced(table: Table, backup: GptHeader) -> dict[str, _Fault]:
    last, subject = table.backup_expected_lba, _COPIES["backup"]
    if last is not None and backup.at_lba != last:
        words = say(
            "has its header at LBA {at_lba}, not in the drive's last sector, LBA {last}",
            at_lba=backup.at_lba,
            last=last,
        )
        return {"place": _Fault(Level.REVIEW, subject, words, _MOVE, backup.at_lba)}
    named = table.primary.alternate_lba if table.primary and not table.primary.problem else None
    if named is not None and named != backup.at_lba:
        words = say(
            "has its header at LBA {at_lba}, but the primary GPT says LBA {named}",
            at_lba=backup.at_lba,
            named=named,
        )
        return {"place": _Fault(Level.REVIEW, subject, words, _MOVE, named)}
    return {}


def _followed(table: Table, level: Level) -> dict[str, _Fault]:
    """Return what could not be followed, unless a copy's own fault has told it already."""
    copies = [copy for copy in (table.primary, table.backup) if copy]
    told = {copy.problem for copy in copies} | {copy.entries_problem for copy in copies}
    return {
        problem: _Fault(
            level,
            say("The table"),
            say("cannot be read completely: {problem:clause}", problem=problem),
            _LOOK,
        )
        for problem in table.problems
        if problem not in told
    }


def _value(header: Header, key: str, fault: _Fault | None) -> Value:
    """Return a side's value: the fault's, or where a good backup stands."""
    if fault is None and key == "place" and header.table.backup:
        return header.table.backup.at_lba
    return fault.value if fault else None


def _leave_out_uncertain(case: Case, answer: RuleAnswer) -> None:
    """Say where the old drive's own table leaves open which partitions it has."""
    for record in _only_hybrid(case.source.table):
        answer.leave_out(
            say(
                "the old drive's boot record lists a partition of type {type} at LBA"
                " {starting_lba} that is not in its GPT; it was not read",
                type=format(record.type, "02X"),
                starting_lba=record.starting_lba,
            )
        )
    for sentence in case.source.table.ambiguous:
        answer.leave_out(
            say(
                "it is not certain which table of the old drive counts: {sentence:clause}",
                sentence=sentence,
            )
        )
    if case.source.table.scheme != "gpt" or case.source.table.used is None:
        for sentence in case.source.table.problems:
            answer.leave_out(
                say(
                    "the old drive's table could not be read completely: {sentence:clause}",
                    sentence=sentence,
                )
            )


def _only_hybrid(table: Table) -> list[MbrRecord]:
    """Return the records of a hybrid boot record that no entry of the GPT stands for."""
    if table.mbr is None or table.mbr.kind != "hybrid" or table.scheme != "gpt":
        return []
    starts = {item.start_lba for item in table.partitions}
    return [
        record
        for record in table.mbr.records
        if record.type not in {0, 0xEE} and record.starting_lba not in starts
    ]


def _tell_ambiguous(case: Case, answer: RuleAnswer) -> None:
    known = set(case.source.table.ambiguous)
    for sentence in case.target.table.ambiguous:
        if sentence not in known:
            message = say(
                "The new drive's tables contradict each other: {sentence:clause}.",
                sentence=sentence,
            )
            answer.find(Level.REVIEW, message, _LOOK)


RULE = Rule(
    slug="table-intact",
    area=Area.TABLE,
    required=True,
    judge=judge,
    nothing=say("no table was read"),
    page=cleandoc(__doc__),
)
