"""What a running machine tells of itself, as plain data.

Sizes and places are in bytes. `None`: the system does not tell, or was not asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from verify.platforms.health import HealthAnswer

Platform = Literal["linux", "windows", "macos"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenPartition:
    """A partition of an attached drive.

    `number`, `type`, `guid` as in a manifest. `filesystem`, `filesystem_id`, `filesystem_bytes`:
    what lies in it, where that was looked at.
    """

    number: int
    start_bytes: int | None
    size_bytes: int
    type: str | None = None
    guid: str | None = None
    filesystem: str | None = None
    filesystem_id: str | None = None
    filesystem_bytes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenTable:
    """The partition table of an attached drive: `scheme` is `gpt`, `mbr` or `none`."""

    scheme: str
    disk_id: str | None
    partitions: tuple[SeenPartition, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenDrive:
    """A drive attached to this machine.

    `name` is the system's for it, `path` what `check` is given. `serial_source`: `drive`, or
    `adapter` where a bridge may have answered. `mounted`: where filesystems of it are in use,
    also through layers between. `system`: the system volume lies on it. `table`: `None` where it
    was not read, and then `not_opened` says why. `health`: `None` where it was not asked for.
    """

    name: str
    path: str
    size_bytes: int
    sector_bytes: int | None = None
    model: str | None = None
    serial: str | None = None
    serial_source: str | None = None
    wwn: str | None = None
    bus: str | None = None
    rotational: bool | None = None
    removable: bool | None = None
    read_only: bool | None = None
    mounted: tuple[str, ...] = ()
    system: bool = False
    table: SeenTable | None = None
    not_opened: str | None = None
    health: HealthAnswer | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemVolume:
    """Where the running system lies.

    `point`: its mount point; `layers`: what stands between it and the drives, from the top, in
    words; `partitions`, `drives`: names at the bottom. `untold`: why the drives are not known.
    `size_bytes`, `free_bytes`: of the volume, as the system counts.
    """

    point: str
    filesystem: str | None
    layers: tuple[str, ...] = ()
    partitions: tuple[str, ...] = ()
    drives: tuple[str, ...] = ()
    untold: str | None = None
    size_bytes: int | None = None
    free_bytes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim:
    """Whether the system tells the drive what is free.

    `answer`: `on`; `off` (possible and not done, or not possible); `not_told`. `detail`: by what.
    """

    answer: Literal["on", "off", "not_told"]
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BootEntry:
    """One entry of the firmware; `partition`: the GUID (or MBR signature) that it names.

    `problem`: why it could not be read to its end.
    """

    number: str
    description: str
    active: bool
    partition: str | None = None
    file: str | None = None
    problem: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Firmware:
    """Start-up entries; `order` and `current` are numbers of entries. `untold`: why there is none.

    `current`: the entry that this run of the machine was started by.
    """

    entries: tuple[BootEntry, ...] = ()
    order: tuple[str, ...] = ()
    current: str | None = None
    untold: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """A running machine; `start_volumes`: mount points that a start needs, and their drives."""

    platform: Platform
    host: str
    system: SystemVolume
    drives: tuple[SeenDrive, ...]
    trim: Trim
    firmware: Firmware
    start_volumes: tuple[tuple[str, tuple[str, ...]], ...] = ()

    def drive(self, name: str) -> SeenDrive | None:
        """Return the drive of that name."""
        return next((drive for drive in self.drives if drive.name == name), None)
