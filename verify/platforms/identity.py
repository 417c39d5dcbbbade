"""Which drive it is, as far as the system reports."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from verify.text.field import Text


@dataclass(frozen=True, slots=True, kw_only=True)
class HiddenArea:
    """One sort of area: `answer` is `none`, `found` or `not asked`; `detail` says what or why."""

    what: Text
    answer: Literal["none", "found", "not asked"]
    detail: Text


@dataclass(frozen=True, slots=True, kw_only=True)
class PartOf:
    """The drive, or image file, that a device is a part of.

    `by`: the kernel calls it a `partition`, or it is a `mapping` of a part of `path`. `number`: of
    the partition. `start_bytes`: where the part begins, where one layer tells it. `model` and
    `serial` are the whole drive's.
    """

    path: str
    by: Literal["partition", "mapping"]
    number: int | None = None
    start_bytes: int | None = None
    model: str | None = None
    serial: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Which drive it is, as far as the system tells; `None` where it does not.

    `file_id` names the one device or file on this machine; `backing_id` is that of the image file
    behind a loop device. `optimal_io_bytes`: what the drive would
    like to be written in, 0 for nothing in particular. `serial_source` is `drive`, or
    `adapter` where the drive hangs on USB, whose bridge may answer with a number of its own.
    `part_of`: the drive that this is only a part of; that one's names are reported there, never as
    this one's own.
    """

    kind: Literal["image", "device"]
    file_id: str
    sector_bytes: int | None = None
    physical_sector_bytes: int | None = None
    optimal_io_bytes: int | None = None
    model: str | None = None
    serial: str | None = None
    serial_source: str | None = None
    wwn: str | None = None
    bus: str | None = None
    rotational: bool | None = None
    read_only: bool | None = None
    backing_id: str | None = None
    mounted: tuple[str, ...] = ()
    mounted_writable: bool = False
    hidden_areas: tuple[HiddenArea, ...] = ()
    part_of: PartOf | None = None
