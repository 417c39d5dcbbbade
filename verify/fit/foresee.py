"""What the change will break, told before it is made: by the rule that would find it later."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verify.filesystem.description import LOCKED_KINDS
from verify.fit.fit_document import FitPrediction
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
from verify.units import MIB, binary_size, decimal_size

if TYPE_CHECKING:
    from verify.manifest.header import Partition

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

    def tell(self, rule: str, level: Level, message: str, advice: str) -> None:
        """Add one."""
        told = message.encode("utf-8", "backslashreplace").decode()
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
    message = (
        f"The old drive counts in sectors of {old} bytes, the new one in {new}: no sector of it can"
        " be copied as it is, neither the table nor a filesystem that counts in them."
    )
    advice = "Take a drive with the same logical sectors, or make all anew and copy file by file."
    seen.tell("sector-size", Level.STOP, message, advice)
    if starts_by_bios(seen.header) and new != 512:  # noqa: PLR2004
        message = "A BIOS does not start from sectors of 4,096 bytes; this drive starts by one."
        seen.tell("boot-firmware", Level.STOP, message, "Take a drive with sectors of 512 bytes.")


def _table(seen: Foreseen) -> None:
    scheme, capacity = seen.header.table.scheme, seen.solution.capacity
    limit = _MBR_SECTORS * capacity.sector_bytes
    if scheme == "mbr" and capacity.size_bytes > limit:
        lost = capacity.size_bytes - limit
        message = (
            f"An MBR table ends at {decimal_size(limit)}: {decimal_size(lost)} of the new drive"
            " stay out of reach."
        )
        advice = "Keep the MBR if the machine starts by a BIOS; GPT needs UEFI and a new start-up."
        seen.tell("table-scheme", Level.REVIEW, message, advice)
    found = seen.target.scheme
    if found in {"gpt", "mbr"} and scheme in {"gpt", "mbr"} and found != scheme:
        firmware = "by a BIOS" if scheme == "mbr" else "by UEFI"
        message = (
            f"The new drive has a table of another kind ({found.upper()}); the old one starts"
            f" {firmware} from {scheme.upper()}."
        )
        advice = f"Initialise the new drive as {scheme.upper()}; its present table goes."
        seen.tell("table-scheme", Level.REVIEW, message, advice)
    if found is not None and found != "none":
        message = f"The new drive is not empty: it has a {found.upper()} table."
        advice = "Make sure that nobody needs what is on it: the clone writes over it."
        seen.tell("partition-extra", Level.NOTE, message, advice)
    grain = seen.solution.ground.grain
    off = [item for item in on_drive(seen.header) if start_bytes(seen.header, item) % grain]
    if off and scheme != "none":
        numbers = ", ".join(str(item.number) for item in off)
        message = f"On the old drive these start off the grid of {binary_size(grain)}: {numbers}."
        advice = "The new layout puts them on it; a tool that copies old starts would not."
        seen.tell("alignment-start", Level.NOTE, message, advice)


def _source(seen: Foreseen) -> None:
    unreadable = seen.header.capture.unreadable
    if unreadable:
        count = sum(item.sectors for item in unreadable)
        message = f"The old drive does not give back {count} sector(s): their contents are lost."
        advice = "Read it first with a tool that keeps trying, and find out which files are hit."
        seen.tell("drive-unreadable", Level.REVIEW, message, advice)
    for item in on_drive(seen.header):
        if item.filesystem.kind in _SET_KINDS:
            message = f"{name_of(item)} is a member of a set ({item.filesystem.kind})."
            advice = "Move the whole set with its own tools; one drive of it is not all."
            seen.tell("drive-set", Level.REVIEW, message, advice)


def _volumes(seen: Foreseen) -> None:
    for item in on_drive(seen.header):
        gives_way = seen.solution.flexible is not None and (
            item.number == seen.solution.flexible.number
        )
        touched = seen.resized(item) or (gives_way and not seen.solution.fits)
        locked = item.filesystem.kind in LOCKED_KINDS
        if locked and (touched or not seen.solution.fits):
            message = (
                f"{name_of(item)} is locked ({item.filesystem.kind}): how far it can be shrunk"
                " cannot be seen."
            )
            advice = "Unlock or decrypt it on the old machine, and work out the fit again."
            seen.tell("filesystem-locked", Level.REVIEW, message, advice)
        if touched and item.filesystem.kind in COPIED_KINDS:
            message = f"{name_of(item)} is {item.filesystem.kind}, which no usual tool resizes."
            advice = "Make a new one of the new size, copy the files, and check at depth full."
            seen.tell("filesystem-identity", Level.REVIEW, message, advice)
        if touched and image(item) is not None:
            message = f"{name_of(item)} holds a hibernated system, and it is to be resized."
            advice = "Shut the machine down fully from the old drive (no fast start), then clone."
            seen.tell("filesystem-hibernated", Level.STOP, message, advice)
        if touched and item.filesystem.clean is False:
            message = f"{name_of(item)} was not cleanly dismounted, and it is to be resized."
            advice = "Let its own system check it first; a tool may refuse to resize it."
            seen.tell("filesystem-dirty", Level.REVIEW, message, advice)
    fixed, size = seen.held.fixed, seen.solution.size
    if fixed is not None and size is not None and fixed.end > size:
        message = (
            f"{fixed.path} lies up to {binary_size(fixed.end)} of the volume, which is to have"
            f" {binary_size(size)}; the running system does not move it."
        )
        advice = "Turn it off before a shrink from inside the system, or shrink the volume offline."
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
                message = (
                    f"{config.path} in {name_of(holder, capital=False)} names byte"
                    f" {location.offset} ({location.element}); {name_of(item, capital=False)} goes"
                    f" to byte {moved}."
                )
                advice = "Turn the recovery environment off and on again on the new drive alone."
                seen.tell("recovery-reference", Level.REVIEW, message, advice)
    for item in on_drive(seen.header):
        moved = seen.moved(item)
        if is_recovery(item) and moved is not None and item.number not in named:
            message = f"{name_of(item)} moves to byte {moved}; what names it by its place is stale."
            advice = "See that the recovery environment is on, and names the new place."
            seen.tell("recovery-reference", Level.NOTE, message, advice)
        free = item.filesystem.free_bytes
        if is_recovery(item) and free is not None and free < UPDATE_MIB * MIB:
            message = (
                f"{name_of(item)} has {binary_size(free)} free, and keeps its size; updates of what"
                f" it holds need {UPDATE_MIB} MiB."
            )
            advice = "Make it larger now: afterwards it means moving others."
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
            message = (
                f"The boot store {path} names {name_of(item, capital=False)} by byte {old}; it goes"
                f" to byte {moved}."
            )
            advice = "Let a tool of the system write the boot store anew on the new drive."
            seen.tell("boot-reference", Level.REVIEW, message, advice)
        if seen.header.table.scheme == "mbr" and item.active:
            sectors = moved // seen.solution.capacity.sector_bytes
            message = (
                f"{name_of(item)} is the active one and moves: its boot sector has to say"
                f" {sectors} hidden sectors."
            )
            advice = "Let a tool of the system write its boot sector anew."
            seen.tell("hidden-sectors", Level.REVIEW, message, advice)


def _space(seen: Foreseen) -> None:
    least, size, own = seen.solution.least, seen.solution.size, seen.solution.flexible
    if least is None or own is None or not size or not least.used or not seen.solution.fits:
        return
    free = size - least.used
    for level, percent in LIMITS:
        if free * 100 < percent * size:
            message = f"{name_of(own)} will have {100 * free / size:.1f} % free."
            advice = "Move files off first, or take a larger drive."
            seen.tell("free-space", level, message, advice)
            return
