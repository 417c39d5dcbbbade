"""The drive is a member of a set: one drive is not the whole.

## What it compares
The metadata of sets, in every partition and at the ends of the whole drive, on both sides: Linux
software RAID (md), LVM groups, btrfs over several devices, firmware and controller RAID (Intel's,
SNIA DDF), a flash cache before a drive (bcache, LVM cache); and partitions whose type says that
they belong to a dynamic disk or a storage pool.

## Why it matters
A volume that is spread over several drives is not on any one of them. A clone of one member may
be perfect and still be worth nothing without the others; and a member that is attached twice
confuses the set.

## Levels
- `stop`: the old drive is one of several, and the set is no mirror.
- `review`: it is one half of a mirror; how many drives belong to the set is not known (storage
  pool, a controller's own format, a dynamic disk without its database); it is a dynamic disk on
  its own, whose database names places on the drive; the drive has a flash cache; only the new
  drive is marked as a member.
- not examined: the sectors in which such metadata stands could not be read.

A set of one drive (an LVM group on a single drive) is whole, and quiet.

## What to do
Attach all members, and clone the set's volumes instead of its drives; or copy the files.

## Sources
Linux include/uapi/linux/raid/md_p.h; lvm2, lib/format_text; btrfs On-disk Format; mdadm,
super-intel.c; SNIA, Common RAID Disk Data Format; Microsoft Learn, "Basic and dynamic disks"; Linux
block/partitions/ldm.c;
util-linux, `include/pt-gpt-partnames.h` and `include/pt-mbr-partnames.h`.
"""

from __future__ import annotations

from dataclasses import dataclass
from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.filesystem.searched import SIGNATURE
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import sector_bytes
from verify.text.message import Message, joined, say
from verify.text.words import NEW, OLD

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.description import Filesystem
    from verify.manifest.header import Header
    from verify.rules.rule import Case, RuleAnswer

_DYNAMIC = say("a dynamic disk (LDM)")
_NAMES = {
    "md-raid": say("a Linux software RAID"),
    "isw-raid": say("an Intel firmware RAID"),
    "ddf-raid": say("a controller's RAID (DDF)"),
    "lvm": say("an LVM volume group"),
    "btrfs": say("a btrfs"),
    "bcache": say("a drive with a flash cache (bcache)"),
    "ldm": _DYNAMIC,
}
_SET_TYPES = {
    "5808C8AA-7E8F-42E0-85D2-E1E90434CFB3": _DYNAMIC,
    "AF9B60A0-1431-4F62-BC68-3311714A69AD": _DYNAMIC,
    "42": _DYNAMIC,
    "E75CAF8F-F680-4CEE-AFA3-B001E56EFC2D": say("a storage pool"),
}
_MIRROR = "level-1"
_END_BYTES = 128 << 10
"""Where sets keep metadata at a drive's end: md 0.90 needs the most, 64 to 128 KiB."""

_TOGETHER = say(
    "Before the wipe, attach all members and clone the volumes of the set, or copy its files."
)
_LEFTOVER = say("Find out whether the new drive was in a set before; if so, remove that metadata.")


@dataclass(frozen=True, slots=True)
class _Member:
    """One place of a drive that says it belongs to a set; `devices` `None`: not known."""

    what: Message
    identity: str | None
    devices: int | None
    mirror: bool = False
    cached: bool = False
    others: tuple[str, ...] = ()
    partition: int | None = None

    @property
    def is_alone(self) -> bool:
        """Whether the set is this one drive."""
        return self.devices is not None and self.devices <= 1 and not self.cached

    @property
    def sentence(self) -> Message:
        """What it is a part of, and of how many."""
        devices = self.devices or 0
        count = say(" over {devices} drives", devices=devices) if devices > 1 else ""
        cache = say(", with a flash cache") if self.cached else ""
        others = (
            say(" (members: {others})", others=joined(self.others)) if len(self.others) > 1 else ""
        )
        return say(
            "{what}{count}{cache}{others}", what=self.what, count=count, cache=cache, others=others
        )


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge the old drive's sets, and what only the new drive claims."""
    for header, name in ((case.source, OLD), (case.target, NEW)):
        answer.compared()
        end = header.drive.size_bytes - _END_BYTES
        unit = sector_bytes(header)
        if any((item.start_lba + item.sectors) * unit > end for item in header.capture.unreadable):
            answer.leave_out(
                say(
                    "the end of the {name} drive, where RAID sets keep their metadata, is"
                    " unreadable",
                    name=name,
                )
            )
        _leave_out_unsearched(header, name, answer)
    sources = [item for item in _members(case.source) if not item.is_alone]
    for item in sources:
        stop = (item.devices or 0) > 1 and not item.mirror
        answer.find(
            Level.STOP if stop else Level.REVIEW,
            say("The old drive is only one part of {sentence}.", sentence=item.sentence),
            _TOGETHER,
            partition=item.partition,
            source=item.identity,
        )
    known = {(item.what, item.identity) for item in sources}
    for item in _members(case.target):
        if not item.is_alone and (item.what, item.identity) not in known:
            answer.find(
                Level.REVIEW,
                say(
                    "The new drive is marked as a part of {sentence}; the old one is not.",
                    sentence=item.sentence,
                ),
                _LEFTOVER,
                partition=item.partition,
                target=item.identity,
            )


def _leave_out_unsearched(header: Header, name: Message, answer: RuleAnswer) -> None:
    """Say where metadata of a set may have stood that could not be read."""
    places: list[tuple[Filesystem | None, int | None]] = [(header.whole_drive, None)]
    places += [(item.filesystem, item.number) for item in header.partitions]
    for filesystem, number in places:
        missed = (
            [item for item in filesystem.unread if item.what == SIGNATURE] if filesystem else []
        )
        if missed and number is not None:
            answer.leave_out(
                say(
                    "partition {number} of the {name} drive could not be searched for metadata of"
                    " a set: {reason}",
                    number=number,
                    name=name,
                    reason=missed[0].reason,
                )
            )
        elif missed:
            answer.leave_out(
                say(
                    "the {name} drive could not be searched for metadata of a set: {reason}",
                    name=name,
                    reason=missed[0].reason,
                )
            )


def _members(header: Header) -> Iterator[_Member]:
    """Yield every set that a drive says it belongs to, each once."""
    seen: set[tuple[str, str | None]] = set()
    places: list[tuple[Filesystem | None, int | None]] = [(header.whole_drive, None)]
    places += [(item.filesystem, item.number) for item in header.partitions]
    for filesystem, number in places:
        if filesystem is None or filesystem.kind not in _NAMES:
            continue
        member = _member(filesystem, number)
        if filesystem.kind == "ldm" and (member.devices or 0) <= 1:
            continue  # NOTE: told by its partitions' type: its database names places on the drive
        if (member.what, member.identity) not in seen:
            seen.add((member.what, member.identity))
            yield member
    for item in header.partitions:
        what = _SET_TYPES.get(item.type)
        if what and what not in {known for known, _ in seen}:
            seen.add((what, None))
            yield _Member(what, None, None, partition=item.number)


def _member(filesystem: Filesystem, number: int | None) -> _Member:
    counts = [word.removeprefix("devices-") for word in filesystem.features if "devices-" in word]
    devices = int(counts[0]) if counts and counts[0].isdigit() else None
    if filesystem.kind == "btrfs" and devices is None:
        devices = 1  # NOTE: the reader names the number only where there are several
    return _Member(
        what=_NAMES[filesystem.kind],
        identity=filesystem.id,
        devices=devices,
        mirror=_MIRROR in filesystem.features,
        cached="cached" in filesystem.features,
        others=filesystem.members,
        partition=number,
    )


RULE = Rule(
    slug="drive-set",
    area=Area.DRIVE,
    required=True,
    judge=judge,
    nothing=say("there was nothing to check"),
    page=cleandoc(__doc__),
)
