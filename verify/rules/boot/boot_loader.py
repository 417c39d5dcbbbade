r"""A loader that the machine starts from is missing or damaged on the new drive.

## What it compares
On the EFI system partition or the active partition, and on the system's own: the head of every
loader, start-up driver and kernel with that of the old drive (a program image, for the same kind
of machine); the files that the boot store and Linux boot loaders name, on the partitions that they
name; and the fallback loader, where firmware has to find the drive anew.

## Why it matters
A reference can lead to the right partition, and the file there be missing, emptied or overwritten.
The machine then stops before anything of the system runs.

## Levels
- `stop`: a loader, or a file that the boot store or a boot loader's configuration names, was good
  on the old drive and is missing, empty, zeroed, damaged or for another kind of machine; the
  partition that starts the machine is missing; the EFI system partition has another GUID (so the
  firmware's entry no longer fits) and there is no fallback loader.
- `note`: the old drive has the same fault; another one there excuses nothing.
- not examined: partitions whose files were not looked at.

Loaders of a BIOS machine (`\bootmgr`, NTLDR, IO.SYS, Syslinux, GRUB's and LILO's files) are no
program images by nature; that each is there and holds something is all that is asked of it.

## What to do
Copy the file from the old drive, or let a tool of the system write the loaders anew.

## Sources
Microsoft, "PE Format"; UEFI 2.10 section 3.5.1.1 (the fallback loader's names); that firmware's
entries hold the partition's GUID: UEFI 2.10 section 10.3.5.1.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.boot import linux_references as linux
from verify.rules.boot.resolve import (
    DATA_DRIVE,
    any_starts,
    became,
    file_state,
    leave_out_unseen,
    locate,
    same_reference,
    source_store,
    starts_a_machine,
    stores,
)
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import is_efi_system, name_of, tell_fault
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.boot.boot_record import BootRecord, LoaderImage
    from verify.boot.store_record import Reference
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

_COPY = say(
    "Copy it from the old drive, or rewrite the loaders with the system's"
    " own tool (bcdboot, grub-install)."
)
_REWRITE = say("Rewrite the loaders with the system's own tool (bcdboot, grub-install).")
_FALLBACK = "/efi/boot/boot"
_PROGRAMS = (".efi", ".exe", ".dll")
_DRIVERS = "/drivers/"


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge the loaders on every partition, then the files that configuration names."""
    if not any_starts(case):
        return
    leave_out_unseen(case, answer)
    for pair in case.pairs:
        old, new = pair.source, pair.target
        if old is None or old.boot is None:
            continue
        if new is None:
            if starts_a_machine(old.boot):
                answer.compared()
                message = say(
                    "{partition} starts the computer and is missing on the new drive.",
                    partition=name_of(old),
                )
                advice = say("Clone this partition too, then check again.")
                answer.find(Level.STOP, message, advice, partition=old.number)
        elif new.boot is not None:
            _judge_heads(answer, old.boot, new.boot, new)
            _judge_fallback(answer, old, new)
    _judge_applications(case, answer)
    linux.judge_files(case, answer)


def _judge_heads(answer: RuleAnswer, old: BootRecord, record: BootRecord, new: Partition) -> None:
    """Compare the head of every loader of the old drive."""
    here = {item.path.lower(): item for item in record.loaders}
    gathered: dict[tuple[Message, Message | None, bool], list[str]] = {}
    for image in old.loaders:
        answer.compared()
        twin = here.get(image.path.lower())
        was, now = _head_fault(image), _head_fault(twin, image.machine)
        # NOTE: what is no program image on either drive can be two sorts of damage.
        known = now == was and twin is not None and twin.form == image.form
        if now is not None:
            gathered.setdefault((now, was, known), []).append(image.path)
    for (fault, had, known), paths in gathered.items():
        many = say(" and {count} more", count=len(paths) - 1) if len(paths) > 1 else ""
        tell_fault(
            answer,
            Level.STOP,
            say("{path}{more}", path=paths[0], more=many),
            (had, fault),
            _COPY,
            partition=new.number,
            known=known,
            remedy=_REWRITE,
        )


def _head_fault(image: LoaderImage | None, machine: str | None = None) -> Message | None:
    """Say what is wrong with a loader; `machine`: the kind it has to be for."""
    if image is None:
        return say("is missing")
    if image.form in ("empty", "zero"):
        return say("is empty") if image.form == "empty" else say("is all zeros")
    path = image.path.lower()
    program = path.endswith(_PROGRAMS) or (_DRIVERS in path and path.endswith(".sys"))
    if program and (image.form != "pe" or image.problem):
        return (
            say("is not a valid program")
            if image.form != "pe"
            else say("is cut off inside its header")
        )
    if machine is not None and image.machine != machine:
        return say(
            "is for another processor type ({found}, not {wanted})",
            found=image.machine or "",
            wanted=machine,
        )
    return None


def _judge_fallback(answer: RuleAnswer, old: Partition, new: Partition) -> None:
    """Judge whether firmware finds a loader without the entry that it keeps for the old drive."""
    record = new.boot
    if record is None or not is_efi_system(new) or not starts_a_machine(record):
        return
    answer.compared()
    fallback = any(item.path.lower().startswith(_FALLBACK) for item in record.loaders)
    if old.guid != new.guid and not fallback:
        message = say(
            "{partition} has a different GUID than on the old drive, so the"
            " firmware's boot entry no longer matches, and it has no fallback loader.",
            partition=name_of(new),
        )
        advice = say(
            "Rewrite the loaders with the system's own tool (bcdboot, grub-install),"
            " including the fallback loader."
        )
        answer.find(Level.STOP, message, advice, partition=new.number)


def _judge_applications(case: Case, answer: RuleAnswer) -> None:
    """Judge the loader that each reachable reference of a boot store names."""
    for own, store in stores(case.target):
        twin = source_store(case, own, store)
        for item in store.references:
            path = _application(item)
            if path is None:
                continue
            place = _misses(case.target, own, item, path)
            if place is None:
                answer.compared()
                continue
            same = same_reference(twin[1].references, item) if twin else None
            was = _misses(case.source, twin[0], same, same.path or "") if twin and same else None
            known = was is not None and same is not None and same.path == path
            tell_fault(
                answer,
                Level.REVIEW if set(item.reached_by) == {"resume"} else Level.STOP,
                say("{path} (named by the boot store)", path=path),
                (_not_on(was) if was else None, _not_on(place)),
                _COPY,
                partition=own.number,
                known=known and became(case, was, place),
                remedy=_REWRITE,
            )


def _application(item: Reference) -> str | None:
    """Return the loader's path; what starts from a RAM disk lies inside the image."""
    direct = item.device.kind in ("partition", "boot")
    return item.path if item.reachable and item.purpose == "application" and direct else None


def _misses(header: Header, own: Partition, item: Reference, path: str) -> Partition | None:
    partition = locate(header, item.device, own).partition
    return partition if partition is not None and file_state(partition, path) is False else None


def _not_on(partition: Partition) -> Message:
    return say("is not on partition {number}", number=partition.number)


RULE = Rule(
    slug="boot-loader",
    area=Area.BOOT,
    required=True,
    judge=judge,
    nothing=DATA_DRIVE,
    page=cleandoc(__doc__),
)
