"""What several rules ask of a drive or a partition: its place in bytes, its part in the machine.

Also the one way to tell a fault that can be on either side (`tell_fault`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.boot.bootcode import FLAGLESS_LOADERS
from verify.filesystem.description import LOCKED_KINDS, READABLE_KINDS
from verify.filesystem.kinds import traits_of
from verify.rules.rule import Level
from verify.stats import TOLERABLE_SHARE
from verify.table.type_names import type_words
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.manifest.header import Header, Partition
    from verify.matching.pair_contents import PairContents
    from verify.rules.rule import Case, RuleAnswer, Value

# SPEC: UEFI 2.10 section 5.3.3 (EFI system); Microsoft Learn, "PARTITION_INFORMATION_GPT" and
# "Disk Partition Types"; util-linux, include/pt-gpt-partnames.h and include/pt-mbr-partnames.h.
EFI_SYSTEM = frozenset({"C12A7328-F81F-11D2-BA4B-00A0C93EC93B", "EF"})
RECOVERY = frozenset({"DE94BBA4-06D1-4D40-A16A-BFD50179D6AC", "27"})
FACTORY = frozenset({"12", "DE"})
BIOS_BOOT = "21686148-6449-6E6F-744E-656564454649"
SWAP = frozenset({"0657FD6D-A4AB-43C4-84E5-0933C84B4F4F", "82"})
RESERVED = SWAP | {
    "E3C9E316-0B5C-4DB8-817D-F92DF00215AE",  # Microsoft reserved
    "D3BFE2DE-3DAF-11DF-BA40-E3A556D89593",  # Intel Fast Flash: a hibernation store
    "84",  # hibernation
}

REQUIRED_ATTRIBUTE = 1
"""GPT attribute bit 0: the machine needs this partition; makers set it on theirs (UEFI 5.3.3)."""


def sector_bytes(header: Header) -> int:
    """Return the bytes a sector of the partitions' places: that of the table they stand in."""
    return header.table.sector_bytes


def start_bytes(header: Header, partition: Partition) -> int:
    """Return where a partition begins, in bytes from the start of its drive."""
    return partition.start_lba * sector_bytes(header)


def size_bytes(header: Header, partition: Partition) -> int:
    """Return a partition's size in bytes."""
    return partition.sectors * sector_bytes(header)


def is_efi_system(partition: Partition) -> bool:
    """Whether the firmware starts the machine from it."""
    return partition.type in EFI_SYSTEM


def is_recovery(partition: Partition) -> bool:
    """Whether it has a recovery partition's type."""
    return partition.type in RECOVERY


def is_reserved(partition: Partition) -> bool:
    """Whether what lies in it does not matter: Microsoft reserved, swap, a hibernation store."""
    kind = partition.filesystem.kind
    if kind in {"msr", "swap"}:
        return True
    # NOTE: a type is a label: under it may lie a filesystem with somebody's files.
    return partition.type in RESERVED and kind in {"ldm", "unknown"}


def is_protected(partition: Partition) -> bool:
    """Whether nobody should change it on purpose: EFI system, recovery, a maker's own."""
    if is_reserved(partition):
        return False
    required = bool(partition.attributes & REQUIRED_ATTRIBUTE)
    return required or partition.type in EFI_SYSTEM | RECOVERY | FACTORY


def starts_by_bios(header: Header) -> bool:
    """Whether a BIOS would start this drive: an MBR whose code finds what it looks for."""
    if header.table.scheme != "mbr":
        return False
    return needs_no_flag(header) or any(item.active for item in header.partitions)


def needs_no_flag(header: Header) -> bool:
    """Whether the code in sector 0 is a loader's own, which looks for no active partition."""
    return header.boot_code is not None and header.boot_code.loader in FLAGLESS_LOADERS


def is_boot_partition(header: Header, partition: Partition) -> bool:
    """Whether it only holds what starts the system: EFI system, or a small active partition."""
    if header.table.scheme != "mbr" or not partition.active:
        return is_efi_system(partition)
    inside = [item for item in header.partitions if not item.container]
    return partition.sectors < max(item.sectors for item in inside)


def holds_data(header: Header, partition: Partition) -> bool:
    """Whether it is a system or data partition whose files can be listed."""
    apart = is_boot_partition(header, partition) or is_protected(partition)
    readable = partition.filesystem.kind in READABLE_KINDS
    return readable and not (apart or is_reserved(partition))


def same_family(one: str, other: str) -> bool:
    """Whether two kinds of filesystem are equal, or widths of one (FAT16 and FAT32)."""
    return traits_of(one).family == traits_of(other).family


def was_resized(case: Case, old: Partition, new: Partition) -> bool:
    """Whether the clone changed this partition's or its filesystem's size."""
    sizes = old.filesystem.size_bytes, new.filesystem.size_bytes
    if size_bytes(case.source, old) != size_bytes(case.target, new):
        return True
    return None not in sizes and sizes[0] != sizes[1]


def doubt_about_contents(case: Case, old: Partition, new: Partition) -> Message | None:
    """Say why a pair's contents are not proven to be whole on the new drive; `None` if they are.

    Proven: every name is on both sides with one size, nothing read differs, nothing was left
    unread, and the sample leaves no more open than it may. Changes that every good clone has
    (page files left out, a boot store rewritten) are no doubt.
    """
    files = case.contents.pairs.get(new.number)
    if files is None:
        unseen = old.filesystem.kind in LOCKED_KINDS | {"unknown"}
        return (
            say("its contents could not be read") if unseen else say("its files were not compared")
        )
    doubts = (
        (old.listing and not old.listing.complete, say("not all of its files could be listed")),
        (
            files.raw and size_bytes(case.target, new) < size_bytes(case.source, old),
            say("its end is missing"),
        ),
        (files.mismatches if files.raw else _differ(files), say("its contents differ")),
        (files.unreadable.count, say("some of its files could not be read")),
        (files.untried.count, say("some of its files were not read")),
        (_leaves_open(case), say("the sample is too small")),
        (not _any_read(case, old, files), say("no contents were read")),
    )
    return next((words for doubt, words in doubts if doubt), None)


def _any_read(case: Case, old: Partition, files: PairContents) -> bool:
    """Whether contents were compared, or there are none."""
    if old.listing is not None and not old.listing.bytes:
        return True
    layout = "layout" in (case.source.depth, case.target.depth)
    return not layout and bool(files.totals.hashed or files.totals.blocks)


def _leaves_open(case: Case) -> bool:
    bound = case.contents.bound
    return bound is not None and (
        bound.files_at_most > TOLERABLE_SHARE * bound.files
        or bound.blocks_at_most > TOLERABLE_SHARE * bound.blocks
    )


def _differ(files: PairContents) -> bool:
    """Whether anything lacks or differs that is no expected change of a clone."""
    return any(
        sort.unexpected for sort in (files.missing, files.resized, files.changed, files.relinked)
    )


def name_of(partition: Partition, *, capital: bool = True) -> Message:
    """Name a partition in a sentence: its number, and its type where the table's is known."""
    number, kind = partition.number, type_words(partition.type_name)
    if not kind:
        template = say("Partition {number}", number=number)
        return template if capital else say("partition {number}", number=number)
    if capital:
        return say("Partition {number} ({type})", number=number, type=kind)
    return say("partition {number} ({type})", number=number, type=kind)


def tell_fault(  # noqa: PLR0913 - a fault has that many sides, all named
    answer: RuleAnswer,
    level: Level,
    subject: Message,
    faults: tuple[Message | None, Message | None],
    advice: Message,
    *,
    partition: int | None = None,
    values: tuple[Value, Value] = (None, None),
    known: bool | None = None,
    remedy: Message | None = None,
) -> None:
    """Tell a fault that the target, the source or both may have, if any has it.

    `faults` (source's, target's) end the sentence that `subject` begins; `None` is no fault. The
    same fault on the old drive makes it a note that says so, and so is one that only the old drive
    has. Another fault on the old drive excuses nothing: equal words are the same fault, unless
    `known` says it (where the words leave out a value, or hold one that a clone may change). What
    was no more than a note anyway, and is the same on both, tells nothing new and is passed over: a
    copy of a drive has no findings of its own.

    `remedy` is the advice where the old drive has a fault there as well; give one if `advice` is to
    copy from the old drive or to clone again, which would bring that fault along.
    """
    on_source, on_target = faults
    both = on_source is not None and on_target is not None
    same = both and (on_source == on_target if known is None else known)
    if level is Level.NOTE and on_source == on_target:
        return
    if both and remedy is not None:
        advice = remedy
    if on_target is not None and on_source is None:
        message = say(
            "{subject} of the new drive {on_target}.", subject=subject, on_target=on_target
        )
    elif on_target is not None and on_source is not None and not same:
        message = say(
            "{subject} of the new drive {on_target}; on the old drive it {on_source}.",
            subject=subject,
            on_target=on_target,
            on_source=on_source,
        )
    elif on_target is not None:
        level = Level.NOTE
        message = say(
            "{subject} of the new drive {on_target}, as on the old drive.",
            subject=subject,
            on_target=on_target,
        )
    elif on_source is not None:
        level = Level.NOTE
        message = say(
            "{subject} of the old drive {on_source}; the new drive does not have this fault.",
            subject=subject,
            on_source=on_source,
        )
        advice = say("Nothing to do on the new drive.")
    else:
        return
    source, target = values
    answer.find(level, message, advice, partition=partition, source=source, target=target)
