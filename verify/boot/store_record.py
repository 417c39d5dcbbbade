"""What a boot store holds, and how a registry hive was left, as plain data for the manifest.

GUIDs and hex are upper case without braces, offsets and sizes in bytes; nothing is judged here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from verify.text.field import Text
from verify.text.message import Message, say

DeviceKind = Literal["partition", "boot", "ramdisk", "file", "vhd", "locate", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """One device of a boot store: what it is, and on what it lies.

    `partition`: `scheme` and `disk_id` (GUID; MBR signature as 8 hex digits), and `partition_id`
    (GPT unique GUID) or `partition_offset` (MBR: bytes from the start of the drive). `ramdisk`,
    `file`: `path` on `parent`. `vhd`: a virtual disk held in `parent`. `locate`: to be searched
    for on `parent` by the path in element `locate_element`. `boot`: whatever the firmware started
    from. `options`: the object with further settings (outermost device only). `unknown`: a shape
    nobody here understands; `raw` holds its bytes in hex and `reason` says why.
    """

    kind: DeviceKind
    scheme: Literal["gpt", "mbr"] | None = None
    disk_id: str | None = None
    partition_id: str | None = None
    partition_offset: int | None = None
    path: str | None = None
    parent: Device | None = None
    options: str | None = None
    locate_element: str | None = None
    raw: str | None = None
    reason: Text | None = None

    @property
    def innermost(self) -> Device:
        """What everything else lies on: a partition, `boot`, or something not understood."""
        device = self
        while device.parent is not None:
            device = device.parent
        return device

    @property
    def understood(self) -> bool:
        """Whether no part of it is `unknown`."""
        return self.innermost.kind != "unknown"


ElementValue = str | int | bool | tuple[str, ...] | tuple[int, ...] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Element:
    """One element of a store's object.

    `number` is its type, 8 hex digits. Exactly one of the others is set: `device`; `value` (text,
    GUID, list of GUIDs, number, flag, list of numbers, as its format nibble says); or `raw`, the
    bytes in hex, where the stored value does not have the form its format asks for.
    """

    number: str
    value: ElementValue = None
    device: Device | None = None
    raw: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreObject:
    """One object of a store: its GUID, its type (8 hex digits, where stored), its elements."""

    guid: str
    type: str | None = None
    description: str | None = None
    elements: tuple[Element, ...] = ()

    def element(self, number: str) -> Element | None:
        """Return an element by its type."""
        return next((item for item in self.elements if item.number == number), None)


ReachedBy = Literal[
    "manager",
    "default",
    "display-order",
    "boot-sequence",
    "resume",
    "recovery",
    "options",
    "inherited",
    "tools",
]

ROUTE_WORDS: dict[ReachedBy, Message] = {
    "manager": say("manager"),
    "default": say("default"),
    "display-order": say("display-order"),
    "boot-sequence": say("boot-sequence"),
    "resume": say("resume"),
    "recovery": say("recovery"),
    "options": say("options"),
    "inherited": say("inherited"),
    "tools": say("tools"),
}
"""What each route is called in a sentence."""

DECIDING_ROUTES: tuple[ReachedBy, ...] = (
    "manager",
    "default",
    "display-order",
    "boot-sequence",
    "resume",
    "recovery",
    "options",
    "inherited",
)
"""The routes on which a reference matters to a start or a recovery; a tool's does not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """One device element in its place: the object, what for, and the file on it.

    `purpose`: `application`, `system`, `resume`, `options`, `store` or `other`. `path`: the
    element that names a file or folder on that device. `reached_by`: every route from the boot
    manager's object to this one, in the order found; empty where there is none.
    """

    object: str
    object_type: str | None
    description: str | None
    element: str
    purpose: Literal["application", "system", "resume", "options", "store", "other"]
    device: Device
    path: str | None = None
    reached_by: tuple[ReachedBy, ...] = ()

    @property
    def reachable(self) -> bool:
        """Whether the boot manager comes here on the way to a start or a recovery."""
        return any(route in DECIDING_ROUTES for route in self.reached_by)


@dataclass(frozen=True, slots=True, kw_only=True)
class MissingObject:
    """An object that a reachable one names and the store does not hold."""

    guid: str
    named_by: str
    element: str
    reached_by: ReachedBy


@dataclass(frozen=True, slots=True, kw_only=True)
class HiveState:
    """How a registry hive was left.

    A hive is `dirty` while a write is pending: its two sequence numbers differ, and what a
    transaction log in `logs` (paths of those that hold anything) has is not in it. `last_written`:
    seconds since 1970 UTC, where the base block says it.
    """

    size_bytes: int
    version: str
    primary_sequence: int
    secondary_sequence: int
    stored_checksum: int
    computed_checksum: int
    hive_bins_bytes: int
    logs: tuple[str, ...] = ()
    last_written: int | None = None

    @property
    def intact(self) -> bool:
        """Whether the base block's checksum is that of what it says."""
        return self.stored_checksum == self.computed_checksum

    @property
    def dirty(self) -> bool:
        """Whether changes are pending that the hive does not hold yet."""
        return self.primary_sequence != self.secondary_sequence or not self.intact


@dataclass(frozen=True, slots=True, kw_only=True)
class BootStore:
    """One boot store, whole. `problems`: what of it could not be read, a sentence each."""

    path: str
    state: HiveState | None
    objects: tuple[StoreObject, ...] = ()
    references: tuple[Reference, ...] = ()
    missing: tuple[MissingObject, ...] = ()
    problems: tuple[Text, ...] = ()

    def object(self, guid: str) -> StoreObject | None:
        """Return an object by its GUID, in any case, with braces or without."""
        wanted = guid.strip("{}").upper()
        return next((item for item in self.objects if item.guid == wanted), None)
