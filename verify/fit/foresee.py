"""What the change will break, told before it is made: by the rule that would find it later."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verify.filesystem.description import LOCKED_KINDS
from verify.fit.fit_document import FitPrediction, valid
from verify.fit.holders import Held
from verify.fit.least import COPIED_KINDS
from verify.fit.solve import Solution
from verify.fit.target import Target
from verify.manifest.header import Header
from verify.matching.level import Level
from verify.matching.pairing import on_drive
from verify.rules.filesystem.filesystem_hibernated import image
from verify.rules.recovery.recovery_reference import configs
from verify.rules.shared import (
    is_recovery,
    name_of,
    size_bytes,
    start_bytes,
    starts_by_bios,
)
from verify.rules.space.free_space_recovery import UPDATE_MIB
from verify.rules.space.shares import LIMITS
from verify.text.message import counted, say
from verify.units import MIB, binary_size, decimal_size

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.text.message import Message

_SET_KINDS = frozenset({"ldm", "lvm", "md-raid", "isw-raid"})
_MBR_SECTORS = 1 << 32


@dataclass(slots=True)
class Foreseen:
    """Collects predictions about one solution."""

    header: Header
    solution: Solution
    target: Target
    held: Held
    told: list[FitPrediction] = field(default_factory=list)

    def tell(self, rule: str, level: Level, message: Message, advice: Message) -> None:
        """Add one."""
        told = message.with_names(valid)
        self.told.append(FitPrediction(rule=rule, level=level, message=told, advice=advice))

    def place(self, partition: Partition) -> tuple[int, int] | None:
        """Return the new start and size of a partition in bytes."""
        for item in self.solution.layout.placed:
            if item.number == partition.number:
                return item.start, item.size
        return None

    def moved(self, partition: Partition) -> int | None:
        """Return the new start in bytes of a partition that moves; `None` for one that stays."""
        place = self.place(partition)
        if place is None or place[0] == start_bytes(self.header, partition):
            return None
        return place[0]

    def resized(self, partition: Partition) -> bool:
        """Whether its size changes."""
        place = self.place(partition)
        return place is not None and place[1] != size_bytes(self.header, partition)


def foresee(
    header: Header, solution: Solution, target: Target, held: Held
) -> tuple[FitPrediction, ...]:
    """Return all predictions, the heaviest first."""
    seen = Foreseen(header, solution, target, held)
    for part in (_sectors, _table, _source, _volumes, _recovery, _references, _space):
        part(seen)
    return tuple(sorted(seen.told, key=lambda item: item.level.weight))


def _sectors(seen: Foreseen) -> None:
    old, new = seen.header.table.sector_bytes, seen.solution.capacity.sector_bytes
    if old == new:
        return
    message = say(
        "The old drive has sectors of {old:,} bytes, the new one of {new:,}: a sector-by-sector"
        " copy does not work.",
        old=old,
        new=new,
    )
    advice = say(
        "Take a drive with the same logical sector size, or partition the new one and copy the"
        " files."
    )
    seen.tell("sector-size", Level.STOP, message, advice)
    if starts_by_bios(seen.header) and new != 512:  # noqa: PLR2004
        message = say(
            "This system starts by BIOS, and a BIOS cannot start from sectors of 4,096 bytes."
        )
        seen.tell(
            "boot-firmware", Level.STOP, message, say("Take a drive with sectors of 512 bytes.")
        )


def _table(seen: Foreseen) -> None:
    scheme, capacity = seen.header.table.scheme, seen.solution.capacity
    limit = _MBR_SECTORS * capacity.sector_bytes
    if scheme == "mbr" and capacity.size_bytes > limit:
        lost = capacity.size_bytes - limit
        message = say(
            "An MBR table reaches up to {limit}: {lost} of the new drive cannot be used.",
            limit=decimal_size(limit),
            lost=decimal_size(lost),
        )
        advice = say(
            "Keep the MBR if the machine starts by BIOS. With UEFI, convert to GPT and set up its"
            " boot files anew."
        )
        seen.tell("table-scheme", Level.REVIEW, message, advice)
    found = seen.target.scheme
    if found in {"gpt", "mbr"} and scheme in {"gpt", "mbr"} and found != scheme:
        message = say(
            "The new drive has a {found} table, the old one {own}, from which a machine starts by"
            " {firmware}.",
            found=found.upper(),
            own=scheme.upper(),
            firmware="BIOS" if scheme == "mbr" else "UEFI",
        )
        advice = say(
            "Initialise the new drive as {own}; this removes its present table.", own=scheme.upper()
        )
        seen.tell("table-scheme", Level.REVIEW, message, advice)
    if found is not None and found != "none":
        message = say("The new drive is not empty: it has a {found} table.", found=found.upper())
        advice = say("Make sure that nobody needs what is on it: cloning overwrites it.")
        seen.tell("partition-extra", Level.NOTE, message, advice)
    grain = seen.solution.ground.grain
    off = [item for item in on_drive(seen.header) if start_bytes(seen.header, item) % grain]
    if off and scheme != "none":
        message = counted(
            "On the old drive partition {numbers} is misaligned (grid {grid}).",
            "On the old drive partitions {numbers} are misaligned (grid {grid}).",
            len(off),
            grid=binary_size(grain),
            numbers=", ".join(str(item.number) for item in off),
        )
        advice = say("The layout above aligns them; do not keep the old start sectors.")
        seen.tell("alignment-start", Level.NOTE, message, advice)


def _source(seen: Foreseen) -> None:
    unreadable = seen.header.capture.unreadable
    if unreadable:
        count = sum(item.sectors for item in unreadable)
        message = counted(
            "{count} sector of the old drive cannot be read: its contents are lost.",
            "{count} sectors of the old drive cannot be read: their contents are lost.",
            count,
        )
        advice = say(
            "First image it with a tool that keeps retrying, and find out which files are hit."
        )
        seen.tell("drive-unreadable", Level.REVIEW, message, advice)
    for item in on_drive(seen.header):
        if item.filesystem.kind in _SET_KINDS:
            message = say(
                "{partition} belongs to a set of drives or volumes ({kind}).",
                partition=name_of(item),
                kind=item.filesystem.kind,
            )
            advice = say("Move the whole set with its own tools; one drive of it is not enough.")
            seen.tell("drive-set", Level.REVIEW, message, advice)


def _volumes(seen: Foreseen) -> None:
    for item in on_drive(seen.header):
        gives_way = seen.solution.flexible is not None and (
            item.number == seen.solution.flexible.number
        )
        touched = seen.resized(item) or (gives_way and not seen.solution.fits)
        locked = item.filesystem.kind in LOCKED_KINDS
        if locked and (touched or not seen.solution.fits):
            message = say(
                "{partition} is encrypted ({kind}), so how far it can be shrunk cannot be seen.",
                partition=name_of(item),
                kind=item.filesystem.kind,
            )
            advice = say("Decrypt it on the old machine, and run `fit` again.")
            seen.tell("filesystem-locked", Level.REVIEW, message, advice)
        if touched and item.filesystem.kind in COPIED_KINDS:
            message = say(
                "{partition} is {kind}, which common tools cannot resize.",
                partition=name_of(item),
                kind=item.filesystem.kind,
            )
            advice = say(
                "Create a new one of the new size, copy the files, and check at depth full."
            )
            seen.tell("filesystem-identity", Level.REVIEW, message, advice)
        if touched and image(item) is not None:
            message = say(
                "{partition} holds a hibernated system and would be resized.",
                partition=name_of(item),
            )
            advice = say(
                "Start from the old drive, shut down fully (without fast startup), then clone."
            )
            seen.tell("filesystem-hibernated", Level.STOP, message, advice)
        if touched and item.filesystem.clean is False:
            message = say(
                "{partition} was not cleanly dismounted and would be resized.",
                partition=name_of(item),
            )
            advice = say("Let its own system check it first (chkdsk, fsck).")
            seen.tell("filesystem-dirty", Level.REVIEW, message, advice)
    fixed, size = seen.held.fixed, seen.solution.size
    if fixed is not None and size is not None and fixed.end > size:
        message = say(
            "{path} ends at {end} of the volume, which would shrink to {size}; the running system"
            " cannot move this file.",
            path=fixed.path,
            end=binary_size(fixed.end),
            size=binary_size(size),
        )
        advice = say(
            "Disable that file before shrinking, or shrink while the system is not running."
        )
        seen.tell("filesystem-span", Level.NOTE, message, advice)


def _recovery(seen: Foreseen) -> None:
    named = set()
    for holder, config in configs(seen.header):
        for location in config.locations:
            for item in on_drive(seen.header):
                moved = seen.moved(item)
                here = start_bytes(seen.header, item) == location.offset
                if not here or moved is None or not location.given:
                    continue
                named.add(item.number)
                message = say(
                    "{path} in {holder} refers to byte {old} ({element}), but {partition} moves to"
                    " byte {new}.",
                    path=config.path,
                    holder=name_of(holder, capital=False),
                    old=location.offset or 0,
                    element=location.element,
                    partition=name_of(item, capital=False),
                    new=moved,
                )
                advice = say(
                    "Once started from the new drive alone, turn the recovery environment off and"
                    " on again (reagentc)."
                )
                seen.tell("recovery-reference", Level.REVIEW, message, advice)
    for item in on_drive(seen.header):
        moved = seen.moved(item)
        if is_recovery(item) and moved is not None and item.number not in named:
            message = say(
                "{partition} moves to byte {new}; references to its old place no longer match.",
                partition=name_of(item),
                new=moved,
            )
            advice = say("Afterwards check that the recovery environment is on (reagentc /info).")
            seen.tell("recovery-reference", Level.NOTE, message, advice)
        free = item.filesystem.free_bytes
        if is_recovery(item) and free is not None and free < UPDATE_MIB * MIB:
            message = say(
                "{partition} has {free} free and keeps its size; updates of the recovery"
                " environment"
                " need {need} MiB.",
                partition=name_of(item),
                free=binary_size(free),
                need=UPDATE_MIB,
            )
            advice = say("Make it larger now; later other partitions would have to be moved.")
            seen.tell("free-space-recovery", Level.NOTE, message, advice)


def _references(seen: Foreseen) -> None:
    for item in on_drive(seen.header):
        moved = seen.moved(item)
        if moved is None:
            continue
        old = start_bytes(seen.header, item)
        stores = {
            store.path
            for holder in on_drive(seen.header)
            for store in (holder.boot.stores if holder.boot else ())
            for reference in store.references
            if reference.device.innermost.partition_offset == old
        }
        for path in sorted(stores):
            message = say(
                "The boot store {path} refers to {partition} at byte {old}, but it moves to byte"
                " {new}.",
                path=path,
                partition=name_of(item, capital=False),
                old=old,
                new=moved,
            )
            advice = say("Rebuild the boot store on the new drive (bcdboot).")
            seen.tell("boot-reference", Level.REVIEW, message, advice)
        if seen.header.table.scheme == "mbr" and item.active:
            sectors = moved // seen.solution.capacity.sector_bytes
            message = say(
                "{partition} is active and moves: its boot sector must then record start sector"
                " {sectors}.",
                partition=name_of(item),
                sectors=sectors,
            )
            advice = say("Rewrite its boot sector with the system's own tool (bootsect).")
            seen.tell("hidden-sectors", Level.REVIEW, message, advice)


def _space(seen: Foreseen) -> None:
    least, size, own = seen.solution.least, seen.solution.size, seen.solution.flexible
    if least is None or own is None or not size or not least.used or not seen.solution.fits:
        return
    free = size - least.used
    for level, percent in LIMITS:
        if free * 100 < percent * size:
            message = say(
                "{partition} will have {share:.1f} % free.",
                partition=name_of(own),
                share=100 * free / size,
            )
            advice = say("Move files off first, or take a larger drive.")
            seen.tell("free-space", level, message, advice)
            return
