r"""The recovery configuration of the new drive names a place where recovery is not.

## What it compares
Where the recovery configuration (ReAgent.xml) says the recovery environment is: its place in bytes
and the drive's identity with the new drive's table, the folder with the partition there, and the
object it names with the boot store. The same on the old drive.

## Why it matters
Shrinking an earlier partition moves the recovery partition, and the place in bytes is stale. What
repairs after a failed start goes by the boot store and may still work; the system's own tools go
by this file: a reset of the machine, and updates of recovery, do not find it.

## Levels
- `stop`: stale on the new drive and right on the old one, and the boot store does not lead to
  recovery either; or the configuration cannot be read any more.
- `review`: stale, while the boot store still leads to recovery; recovery was enabled on the old
  drive and is disabled on the new one.
- `note`: the old drive had the same fault; a copy of the file that the system does not read first.
- not examined: a configuration that is readable on neither drive.

## What to do
On the started system, disable the recovery environment and enable it again: it then looks for it
anew. Until then a repair after a failed start still works, if the boot store leads there.

## Sources
Microsoft Learn, "Deploy Windows RE"; the file's form and the meaning of its numbers are
reverse-engineered (docs/formats/reagent.md).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.boot.resolve import leave_out_unseen, locate, partner, records, stores
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import start_bytes, tell_fault
from verify.text.message import Message, say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.boot.boot_record import RecoveryConfig, RecoveryLocation
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

_MAIN = "/windows/system32/recovery/reagent.xml"
_ELEMENTS = ("WinreLocation", "ImageLocation", "PBRImageLocation", "PBRCustomImageLocation")
_MOST_DRIVES = 255
"""GUESS: a number up to this is that of a drive and no signature; public readers disagree."""

_ENABLE = say(
    "Start Windows from the new drive, run reagentc /disable and reagentc"
    " /enable, then check that recovery starts."
)


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge every recovery configuration of the target."""
    both = *configs(case.source), *configs(case.target)
    if not both:
        return
    leave_out_unseen(case, answer)
    works = store_leads_to_recovery(case.target)
    main = any(config.path.lower() == _MAIN for _, config in configs(case.target))
    for new, config in configs(case.target):
        old = partner(case, new)
        twin = next(
            (
                item
                for holder, item in configs(case.source)
                if item.path.lower() == config.path.lower() and (not old or holder is old)
            ),
            None,
        )
        second = main and config.path.lower() != _MAIN
        level = Level.NOTE if second else Level.REVIEW if works else Level.STOP
        _judge_config(case, answer, new, (twin, config), level)
    there = {config.path.lower() for _, config in configs(case.target)}
    for old, config in configs(case.source):
        if config.path.lower() not in there:
            answer.compared()
            message = say(
                "The recovery configuration {path} is missing on the new drive.", path=config.path
            )
            level = Level.STOP if config.path.lower() == _MAIN else Level.REVIEW
            answer.find(level, message, _ENABLE, partition=old.number, path=config.path)


def configs(header: Header) -> Iterator[tuple[Partition, RecoveryConfig]]:
    """Yield every recovery configuration of a drive with its partition."""
    for partition, record in records(header):
        for config in record.recovery:
            yield partition, config


def store_leads_to_recovery(header: Header) -> bool:
    """Whether the boot store's own references to recovery are there and resolve."""
    found = [
        locate(header, reference.device, partition).partition
        for partition, store in stores(header)
        for reference in store.references
        if "recovery" in reference.reached_by
    ]
    return bool(found) and None not in found


def _judge_config(
    case: Case,
    answer: RuleAnswer,
    new: Partition,
    sides: tuple[RecoveryConfig | None, RecoveryConfig],
    level: Level,
) -> None:
    before, config = sides
    subject = say("The recovery configuration {path}", path=config.path)
    if config.problem is not None:
        if before is not None and before.problem == config.problem:
            answer.leave_out(
                say(
                    "{path} cannot be read on either drive: {problem}",
                    path=config.path,
                    problem=config.problem,
                )
            )
            return
        message = say(
            "{subject} of the new drive cannot be read: {problem}.",
            subject=subject,
            problem=config.problem,
        )
        answer.find(Level.STOP, message, _ENABLE, partition=new.number, path=config.path)
        return
    answer.compared()
    disabled = tuple(
        say("is disabled") if side and side.enabled is False else None for side in sides
    )
    if disabled != ("is disabled", "is disabled"):
        tell_fault(
            answer, Level.REVIEW, subject, (disabled[0], disabled[1]), _ENABLE, partition=new.number
        )
    here = dict(_faults(case.target, config))
    were = dict(_faults(case.source, before)) if before else {}
    for element, fault in here.items():
        still = say("; after a failed start it is still found through the boot store")
        mild = level is Level.REVIEW and element == "WinreLocation"
        told = say("{fault}{still}", fault=fault, still=still) if mild else fault
        was = were.get(element)
        faults = told if was == fault else was, told
        tell_fault(answer, level, subject, faults, _ENABLE, partition=new.number)


def _faults(header: Header, config: RecoveryConfig) -> Iterator[tuple[str, Message]]:
    """Yield what a configuration names that is not on its drive, by element; disabled: nothing."""
    if config.enabled is False:
        return
    for location in config.locations:
        fault = _location_fault(header, location)
        if location.element in _ELEMENTS and location.given and fault:
            yield location.element, fault
    wanted = config.store_object
    found = [store for _, store in stores(header)]
    if wanted and config.enabled and found and not any(item.object(wanted) for item in found):
        yield "WinreBCD", say("names object {wanted}, which is in no boot store", wanted=wanted)


def _location_fault(header: Header, location: RecoveryLocation) -> Message | None:
    inside = [item for item in header.partitions if not item.container]
    here = next((item for item in inside if start_bytes(header, item) == location.offset), None)
    if here is None:
        return say(
            "names a partition at byte {offset:,} ({element}), but none starts there",
            offset=location.offset or 0,
            element=location.element,
        )
    # NOTE: the GUID is the drive's in the samples; one public reader takes it for the partition's.
    named = location.guid
    if named is None and header.table.scheme == "mbr" and (location.id or 0) > _MOST_DRIVES:
        named = location.signature
    if named is not None and named not in (header.table.disk_id, here.guid):
        return say(
            "names drive {named} ({element}), but this drive has a different identifier",
            named=named,
            element=location.element,
        )
    folder = "/" + location.path.replace("\\", "/").strip("/").lower() + "/"
    if here.boot is not None and location.element == "WinreLocation":
        images = (item.path.lower() for item in here.boot.images)
        if not any(path.startswith(folder) for path in images):
            return say(
                "names partition {number} by its start ({element}), but there is no"
                " recovery image in that folder",
                number=here.number,
                element=location.element,
            )
    return None


RULE = Rule(
    slug="recovery-reference",
    area=Area.RECOVERY,
    required=True,
    judge=judge,
    nothing=say("neither drive has a recovery configuration"),
    page=cleandoc(__doc__),
)
