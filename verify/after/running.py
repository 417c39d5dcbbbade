"""Is this machine running from the new drive, and from it alone.

As in `identify`, a drive is known by the serial number that it gives itself (or, directly
attached, its world-wide name). Without one its identifiers and size are held against the record;
a clone of the same size carries the same, and then it cannot be told.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal

from verify.after.running_checks import (
    Check,
    boot_entries,
    filesystems,
    free_space,
    partitions,
    trim,
)
from verify.manifest.header import Header
from verify.manifest.serial import own_serial
from verify.text.message import joined, say
from verify.version import __version__

if TYPE_CHECKING:
    from collections.abc import Collection

    from verify.after.running_checks import State
    from verify.platforms.running_machine import Machine, SeenDrive

RUNNING_SCHEMA = "drivewitness.running/1"

Answer = Literal["yes", "no", "cannot_tell"]
By = Literal["serial", "identifiers"]

_STATES: dict[Answer, State] = {"yes": "fits", "no": "differs", "cannot_tell": "not_told"}


@dataclass(frozen=True, slots=True)
class Running:
    """The answer, by what it was reached, and everything that was looked at.

    `answer`: whether the system runs from the new drive; `matched_by`: `serial` or `identifiers`.
    """

    answer: Answer
    matched_by: By | None
    checks: tuple[Check, ...]

    @property
    def fits(self) -> bool:
        """Whether it runs from the new drive, and nothing that decides says otherwise."""
        return self.answer == "yes" and self._amiss is None

    @property
    def _amiss(self) -> Check | None:
        """Return the first of those that decide and do not fit."""
        return next((item for item in self.checks if item.decides and item.state != "fits"), None)

    @property
    def says(self) -> str:
        """What it comes to, as one sentence."""
        if self._amiss is not None:
            return self._amiss.message
        return say("This machine runs from the new drive, and from it alone.")


@dataclass(frozen=True, slots=True)
class Against:
    """What the machine is held against; `source`: the old drive, where a job tells of it.

    `problem`: what of the job is not as it was sealed. `verdict`: the job's.
    """

    target: Header
    source: Header | None = None
    job: str | None = None
    problem: str | None = None
    verdict: str | None = None


def judge_running(machine: Machine, here: SeenDrive | None, against: Against) -> Running:
    """Hold a machine against the record of its new drive.

    `here`: the drive that the system volume is on, with what its partitions say; `None` where
    that cannot be told, or it is on several.
    """
    if here is None:
        words = _untold(machine)
        return Running("cannot_tell", None, (Check("system-drive", "not_told", words),))
    answer, by, words = _which(here, against)
    layers = " on ".join(machine.system.layers)
    drive = _name(here)
    through = say("{drive} ({layers})", drive=drive, layers=layers) if layers else drive
    lies = say("{point} lies on {drives}.", point=machine.system.point, drives=through)
    checks = [
        Check("system-drive", "fits", lies),
        Check("new-drive", _STATES[answer], words),
        _start_volumes(machine, here),
    ]
    if against.problem is not None:
        words = say(
            "Job {job} is not confirmed by its seal: {problem}",
            job=against.job or "",
            problem=against.problem,
        )
        checks.append(Check("job", "differs", words))
    if answer != "no":
        checks += [
            _old_drive(machine, here, against),
            partitions(here, against.target),
            filesystems(here, against.target),
            boot_entries(machine, here),
            free_space(machine, here, against.target),
            trim(machine),
        ]
    return Running(answer, by, tuple(checks))


def _untold(machine: Machine) -> str:
    system = machine.system
    if system.untold is not None:
        return say(
            "It is not known which drive {point} lies on: {reason}.",
            point=system.point,
            reason=system.untold,
        )
    names = ", ".join(system.drives)
    return say(
        "{point} lies on several drives: {names}; one new drive is not all of it.",
        point=system.point,
        names=names,
    )


def _name(drive: SeenDrive) -> str:
    named = f"{drive.path} {drive.model}" if drive.model else drive.path
    return joined((named, drive.serial or say("no serial number")))


def is_same(drive: Header, seen: SeenDrive) -> bool | None:
    """Whether they are one drive, by what drives say of themselves; `None`: they do not say."""
    recorded = drive.drive
    serials = own_serial(recorded), own_serial(seen)
    if None not in serials:
        # NOTE: one number under two models is no answer: two systems may name a model otherwise.
        models = {recorded.model, seen.model} - {None}
        equal = serials[0] == serials[1]
        return None if equal and len(models) > 1 else equal
    direct = "usb" not in (recorded.bus, seen.bus)
    if direct and recorded.wwn is not None and recorded.wwn == seen.wwn:
        return True
    return None


def _has_identifiers(drive: Header, seen: SeenDrive) -> bool:
    """Whether size and identifier are those of the record; of a drive without a table its volume's.

    What is in the table is left out: it is compared separately, and a drive that differs there is
    still the one with that identifier.
    """
    if seen.table is None or seen.size_bytes != drive.drive.size_bytes:
        return False
    if drive.table.disk_id is not None or seen.table.disk_id is not None:
        return drive.table.disk_id == seen.table.disk_id
    ids = [item.filesystem.id for item in drive.partitions]
    return ids == [item.filesystem_id for item in seen.table.partitions] and any(ids)


def _which(here: SeenDrive, against: Against) -> tuple[Answer, By | None, str]:
    """Return whether it is the new drive, by what, and a sentence about it."""
    new = is_same(against.target, here)
    old = None if against.source is None else is_same(against.source, here)
    told: tuple[Answer, By | None, str]
    if new and old:
        told = "cannot_tell", None, say("Both drives of the job reported this serial number.")
    elif new:
        words = say("{drive} is the new drive, by the serial number it reports.", drive=here.name)
        told = "yes", "serial", words
    elif old:
        words = say("{drive} is the OLD drive, by the serial number it reports.", drive=here.name)
        told = "no", "serial", words
    elif new is False:
        words = say(
            "{drive} is not the new drive: it reports {serial}, the new drive reported {then}.",
            drive=here.name,
            serial=here.serial or "",
            then=against.target.drive.serial or "",
        )
        told = "no", "serial", words
    else:
        told = _by_identifiers(here, against, not_old=old is False)
    return told


def _by_identifiers(
    here: SeenDrive, against: Against, *, not_old: bool
) -> tuple[Answer, By | None, str]:
    """Tell it without the serial numbers of both; `not_old`: by its own it is not the old one."""
    if not _has_identifiers(against.target, here):
        words = say(
            "{drive} does not have the size and identifier of the new drive.", drive=here.name
        )
        return "no", "identifiers", words
    if against.source is None:
        words = say(
            "{drive} has the new drive's size and identifier, but an old drive of"
            " the same size has them too. Only a serial number, here and on record,"
            " can tell them apart. {label}",
            drive=here.name,
            label=_label(here),
        )
        return "cannot_tell", None, words
    if not not_old and _has_identifiers(against.source, here):
        words = say(
            "Both drives of the job have the size and identifier of {drive}. Only a"
            " serial number, here and on record, can tell them apart. {label}",
            drive=here.name,
            label=_label(here),
        )
        return "cannot_tell", None, words
    words = say(
        "{drive} is the new drive by size and identifier, and not the old one.", drive=here.name
    )
    return "yes", "identifiers", words


def _label(here: SeenDrive) -> str:
    """Return what can be compared with a label."""
    if here.serial is None:
        return say("It reports no serial number here either.")
    return say(
        "Here it reports the serial number {serial}: compare the new drive's label.",
        serial=here.serial,
    )


def _drives(names: Collection[str]) -> str:
    return ", ".join(names) if names else say("a drive that is not reported")


def _start_volumes(machine: Machine, here: SeenDrive) -> Check:
    elsewhere = [
        say("{point} lies on {drives}", point=point, drives=_drives(drives))
        for point, drives in machine.start_volumes
        if set(drives) != {here.name}
    ]
    if elsewhere:
        return Check(
            "start-volumes",
            "differs",
            say("{places}: not on {drive}.", places=joined(elsewhere, "; "), drive=here.name),
        )
    return Check(
        "start-volumes", "fits", say("No volume needed to start is mounted from another drive.")
    )


def _old_drive(machine: Machine, here: SeenDrive, against: Against) -> Check:
    """Look for the old drive, or a second one with the same identifiers, among the others."""
    closed = []
    for other in machine.drives:
        if other.name == here.name:
            continue
        same = None if against.source is None else is_same(against.source, other)
        if same:
            words = say("The old drive is still attached: {drive}.", drive=_name(other))
            return Check("old-drive", "beware", words)
        if shared := _shared(here, other, against.source):
            words = say(
                "{drive} is attached as well and has the same {shared}.",
                drive=_name(other),
                shared=shared,
            )
            return Check("old-drive", "beware", words)
        if other.table is None and same is None:
            closed.append(other.name)
    if closed:
        words = say(
            "The old drive may still be attached; not opened: {drives}.",
            drives=", ".join(closed),
        )
        return Check("old-drive", "not_told", words)
    words = say("No other attached drive is the old one or has the same identifiers.")
    return Check("old-drive", "fits", words)


def _shared(here: SeenDrive, other: SeenDrive, source: Header | None) -> str | None:
    """Return which identifier another drive has in common with this one, or with the old one."""
    if other.table is None:
        return None
    ids = {here.table.disk_id if here.table else None, source.table.disk_id if source else None}
    if other.table.disk_id is not None and other.table.disk_id in ids:
        return say("disk identifier")
    own = {item.guid for item in (here.table.partitions if here.table else ())}
    own |= {item.guid for item in (source.partitions if source else ())}
    if own & {item.guid for item in other.table.partitions} - {None}:
        return say("partition identifiers")
    return None


def running_document(
    running: Running, machine: Machine, here: SeenDrive | None, against: Against, at: int
) -> dict[str, Any]:
    """Return the answer as a plain document; `at`: seconds since 1970 UTC."""
    return {
        "schema": RUNNING_SCHEMA,
        "answer": running.answer,
        "fits": running.fits,
        "matched_by": running.matched_by,
        "says": running.says,
        "job": against.job,
        "job_verdict": against.verdict,
        "at": at,
        "host": machine.host,
        "platform": machine.platform,
        "tool_version": __version__,
        "checks": [asdict(check) for check in running.checks],
        "system": asdict(machine.system),
        "drive": None if here is None else asdict(here),
        "expected": {
            "path": against.target.drive.path,
            "model": against.target.drive.model,
            "serial": against.target.drive.serial,
            "size_bytes": against.target.drive.size_bytes,
            "disk_id": against.target.table.disk_id,
        },
        "trim": asdict(machine.trim),
        "firmware": asdict(machine.firmware),
        "drives": [asdict(drive) for drive in machine.drives],
    }
