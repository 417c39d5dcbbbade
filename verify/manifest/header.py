"""The manifest's header: what `show --json` prints, and all that most rules need to see.

Fields may be added in schema 1, never renamed. Sizes are in bytes, places in logical sectors of
the drive (`drive.sector_bytes`), GUIDs and hex in upper case, times in seconds since 1970 UTC.
"""

from __future__ import annotations

from typing import Any, Literal, Self

from pydantic import ConfigDict, Field, model_validator

from verify.boot.boot_record import BootCode, BootRecord, GrubCore
from verify.filesystem.description import (
    LOCKED_KINDS,
    NO_CONTENT_KINDS,
    READABLE_KINDS,
    ChangeJournal,
    Filesystem,
    Unread,
)
from verify.filesystem.examination import Examination
from verify.manifest.base import Depth, Model, hold_numbers
from verify.manifest.partition_contents import Contents, Listing
from verify.platforms.health import Health
from verify.platforms.identity import HiddenArea, PartOf
from verify.source.images.facts import ImageFacts
from verify.table.partition_table import Table
from verify.text.field import Text
from verify.text.stored import Spoken

SCHEMA_NAME = "drivewitness.manifest"
SCHEMA_VERSION = 1
SCHEMA = f"{SCHEMA_NAME}/{SCHEMA_VERSION}"


GivenAs = Literal["drive", "partition"]

Scope = Literal["drive", "partition", "unconfirmed"]
"""What a manifest is of: a whole drive, one partition only, or something without a table of which
nobody confirmed that it is a whole drive."""

_ATTACHED = frozenset({"sata", "nvme", "usb", "mmc"})
"""Buses that drives hang on: what the system shows there as a whole device is one."""


def scope_of(
    part: PartOf | None,
    bus: str | None,
    table: Table,
    *,
    given_as: GivenAs | None,
    records_start: bool,
) -> Scope:
    """Return what a drive or image that was handed in is.

    `part`, `bus`: what the system says of the device; `records_start`: whether a boot sector at its
    very start says that it lies further back on its drive. What these say outweighs `given_as`
    (a person confirms what is open, no more).

    NOTE: a table on a mapped part makes it the drive of a virtual machine, perhaps; a table on a
    partition may be the record of an extended one.
    """
    has_table = table.scheme != "none"
    open_mapping = part is not None and part.by == "mapping" and has_table
    if given_as == "partition" or (part is not None and not open_mapping):
        return "partition"
    if has_table and not open_mapping:
        return "drive"
    if records_start and not has_table and bus not in _ATTACHED:
        return "partition"
    return "drive" if given_as == "drive" else "unconfirmed"


class SectorRange(Model):
    """Sectors of the drive: half-open, `start_lba` and how many."""

    start_lba: int
    sectors: int


class Owner(Model):
    """What unreadable sectors of a partition belong to.

    `what`: `file`, `stream`, `folder`, `link`, `other`, each with its path in `name`;
    `structure`: one of the filesystem's own, with its name; `free`: no file's or folder's, after
    a whole listing was searched; `unknown`. Two names of one file are two owners.
    """

    partition: int
    start_lba: int
    sectors: int
    what: Text
    name: str | None = None


class DriveInfo(Model):
    """Which drive it was, as far as the system and the drive itself tell.

    `file_id` names the one file or device behind the path on the machine that read it, so that
    one drive given twice is noticed. `serial_source` says who gave the serial (`drive`, or
    `adapter` where a bridge may have answered for it). `mounted`: mount points in use while it
    was read. `changed_while_read`: the table read at the end differs from the one at the start.
    `hidden_areas`: each sort of area beyond what can be read, and what is known of it.
    `part_of`: the drive that the device is a part of, with that drive's model and serial.
    `boot_sector_start`: how many sectors lie in front of it on its drive, as a boot sector in
    sector 0 says; `None` where there is a table, or no such boot sector. `image`: of an image in
    several files or in a container, what it says of itself and what of it was verified.
    """

    path: str
    kind: Literal["image", "device"]
    size_bytes: int
    sector_bytes: int
    physical_sector_bytes: int | None = None
    model: str | None = None
    serial: str | None = None
    serial_source: str | None = None
    wwn: str | None = None
    bus: str | None = None
    rotational: bool | None = None
    read_only: bool | None = None
    file_id: str | None = None
    backing_id: str | None = None
    mounted: tuple[str, ...] = ()
    mounted_writable: bool = False
    changed_while_read: bool = False
    hidden_areas: tuple[HiddenArea, ...] = ()
    part_of: PartOf | None = None
    boot_sector_start: int | None = None
    image: ImageFacts | None = None

    @property
    def unpadded_bytes(self) -> int:
        """Its length without the zeros that only round an image of it up."""
        return self.size_bytes - (self.image.padding_bytes if self.image else 0)


class DriveNames(Model):
    """What every document says of a drive, in this order; `DriveInfo` has the same and more."""

    path: str
    kind: str
    size_bytes: int
    sector_bytes: int
    model: str | None
    serial: str | None


def names_of(drive: DriveInfo) -> dict[str, Any]:
    """Return what every document says of a drive."""
    return {name: getattr(drive, name) for name in DriveNames.model_fields}


class RawDigest(Model):
    """Bytes outside any filesystem, hashed whole: a gap, or a small partition.

    `content_bytes`: length without the zeros at its end; `digest` is over that length, so that
    the same bytes in a longer gap compare equal.
    """

    what: Text
    start_lba: int
    sectors: int
    content_bytes: int
    digest: str | None
    reason: Text | None = None


class View(Model):
    """What an encrypted partition holds, as read through an unlocked view of it.

    `path`: where the view was, of `size_bytes`. `tie`: what says that it is of this partition: its
    `identity`, as the device mapper has it, or its `size` alone. The rest as of a partition.
    """

    path: str
    size_bytes: int
    tie: Literal["identity", "size"]
    filesystem: Filesystem
    listing: Listing | None = None
    contents: Contents | None = None
    hibernation: str | None = None
    change_journal: ChangeJournal | None = None
    boot: BootRecord | None = None
    examination: Examination | None = None
    unread: tuple[Unread, ...] = ()


class Snapshot(Model):
    """The snapshot that a partition's files were read from, of `size_bytes`.

    `file_id` names its file or device on the machine that read it. `tie`: its filesystem has the
    identifier of the partition's (and its kind and size), or has none and these alone.
    """

    path: str
    file_id: str
    size_bytes: int
    tie: Literal["identity", "size"]


class Partition(Model):
    """One partition: where its table puts it, what lies in it, what was read of it.

    `boot`: what its start-up files name; `None` where nobody looked for them. `examination`: of the
    filesystem's own structures; `None` where its kind is not examined. `view`: what was
    read through an unlocked view of it. `snapshot`: what filesystem and files were read from, where
    that was not the drive.
    """

    number: int
    start_lba: int
    sectors: int
    type: str
    type_name: str = ""
    guid: str | None = None
    name: str | None = None
    attributes: int = 0
    active: bool = False
    container: bool = False
    filesystem: Filesystem
    listing: Listing | None = None
    contents: Contents | None = None
    hibernation: str | None = None
    change_journal: ChangeJournal | None = None
    boot: BootRecord | None = None
    examination: Examination | None = None
    unread: tuple[Unread, ...] = ()
    view: View | None = None
    snapshot: Snapshot | None = None

    def unlocked(self) -> Partition:
        """Return the partition as its view shows it."""
        seen = self.view
        if seen is None:
            return self
        update = {
            "filesystem": seen.filesystem,
            "listing": seen.listing,
            "contents": seen.contents,
            "hibernation": seen.hibernation,
            "change_journal": seen.change_journal,
            "boot": seen.boot,
            "examination": seen.examination,
            "unread": (*self.unread, *seen.unread),
        }
        return self.model_copy(update=update)

    @property
    def is_locked(self) -> bool:
        """Whether it is encrypted on the drive, seen through or not."""
        return self.view is not None or self.filesystem.kind in LOCKED_KINDS

    @property
    def readable(self) -> bool:
        """Whether its files were listed."""
        return self.listing is not None

    @property
    def is_raw(self) -> bool:
        """Whether it is compared as raw bytes: contents matter, and no reader knows its files."""
        return self.filesystem.kind not in READABLE_KINDS | NO_CONTENT_KINDS

    @property
    def end_lba(self) -> int:
        """The first sector behind it."""
        return self.start_lba + self.sectors


class Remains(Model):
    """A filesystem on a drive whose table names no partition: its kind, its identifier, its start.

    `start_bytes` from the start of the drive.
    """

    start_bytes: int
    kind: str
    id: str | None = None


class UnreadItem(Model):
    """Something that was not read: what, why, and where it is known."""

    what: Text
    reason: Text
    partition: int | None = None


class CaptureInfo(Model):
    """How the manifest was made.

    `seed` keys the draw (any text); `confidence` is that of the bounds; `started`/`ended` are
    seconds since 1970 UTC; `unreadable` lists the sectors that the drive did not give back,
    `owners` whose they are, where the partition's files were listed. `name_salt`: drawn at random
    for this capture, hex; it keys what stands for a name where names may not be told. `given_as`:
    what the person who gave it said it is, `drive` or `partition`; `None` where nobody said.
    """

    tool_version: str
    started: int
    ended: int
    host: str
    seed: str
    confidence: float = Field(gt=0, lt=1)
    unreadable: tuple[SectorRange, ...] = ()
    owners: tuple[Owner, ...] = ()
    name_salt: str | None = None
    given_as: GivenAs | None = None


class Header(Model, Spoken):
    """The first row of a manifest.

    `boot_code`: that of sector 0, where it was looked at. `grub`: what each boot sector of GRUB
    starts, of the drive and of its partitions. `whole_drive`: the set of drives that
    metadata outside the partitions puts it into. `remains`: filesystems found on a drive without
    partitions, where the other drive's table or a usual layout would have put them. `health`: what
    the drive reported of itself; `None` where it was not asked, as an image never is.
    """

    schema_: str = Field(default=SCHEMA, alias="schema", serialization_alias="schema")
    depth: Depth
    drive: DriveInfo
    table: Table
    partitions: tuple[Partition, ...] = ()
    gaps: tuple[RawDigest, ...] = ()
    boot_code: BootCode | None = None
    grub: tuple[GrubCore, ...] = ()
    whole_drive: Filesystem | None = None
    remains: tuple[Remains, ...] = ()
    health: Health | None = None
    capture: CaptureInfo
    unread: tuple[UnreadItem, ...] = ()

    model_config = ConfigDict(frozen=True, extra="ignore", populate_by_name=True)

    @property
    def scope(self) -> Scope:
        """What it is of; manifests of older versions are judged by what they recorded."""
        starts = [item.filesystem.hidden_sectors for item in self.partitions]
        return scope_of(
            self.drive.part_of,
            self.drive.bus,
            self.table,
            given_as=self.capture.given_as,
            records_start=any((self.drive.boot_sector_start, *starts)),
        )

    @model_validator(mode="after")
    def _numbers(self) -> Self:
        hold_numbers(self.__dict__)
        return self

    def partition(self, number: int) -> Partition | None:
        """Return the partition with that number."""
        return next((item for item in self.partitions if item.number == number), None)


def scope_of_both(source: Header, target: Header) -> Scope:
    """Return what a comparison of two manifests is of: no more than the lesser of them."""
    scopes = source.scope, target.scope
    order: tuple[Scope, ...] = ("partition", "unconfirmed", "drive")
    return min(scopes, key=order.index)
