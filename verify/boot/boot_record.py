"""What a partition's start-up files name, as plain data for the manifest.

Nothing is judged or resolved here: rules do that, with the tables of both drives in hand. GUIDs
and hex are upper case without braces, offsets and sizes in bytes. Text comes from the drive as it
stands: whoever prints it escapes it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from verify.boot.file_form import FileForm
from verify.boot.store_record import BootStore, HiveState
from verify.text.field import Text

# --- loaders and images -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class LoaderImage:
    r"""The head of a file that a machine starts.

    `form`: `pe` (a PE image), `mz` (MZ without a PE header), `zero` (nothing but zeros: wiped, or
    its data lies in a system-compressed stream), `empty`, or `other` (16-bit stubs such as
    `\bootmgr` are). `machine` is a name where known, else 4 hex digits. `subsystem` 10..13 are
    EFI's. `holds_kernel`: a kernel with its command line inside, which is not read.
    """

    path: str
    form: Literal["pe", "mz", "zero", "empty", "other"]
    size_bytes: int | None = None
    machine: str | None = None
    subsystem: int | None = None
    holds_kernel: bool = False
    problem: Text | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RecoveryImage:
    """The header of a WIM image; `problem` says what about it cannot be right.

    `resources_end`: the end of the last thing the header names, to be held against `size_bytes`.
    """

    path: str
    size_bytes: int | None = None
    version: int | None = None
    flags: int | None = None
    guid: str | None = None
    part_number: int | None = None
    total_parts: int | None = None
    image_count: int | None = None
    boot_index: int | None = None
    resources_end: int | None = None
    problem: Text | None = None


# --- recovery configuration -------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class RecoveryLocation:
    """A place that the recovery configuration names, as stored.

    `offset`: bytes from the start of the drive to the partition. `id`: the MBR signature as a
    number, or 0. `guid`: the GPT disk GUID (NOTE: by samples; one public reader takes it for the
    partition's). `given` is False where nothing is set: no path, offset 0.
    """

    element: str
    path: str
    offset: int | None
    id: int | None
    guid: str | None
    index: int | None = None

    @property
    def given(self) -> bool:
        """Whether a place is named at all."""
        return bool(self.path) or bool(self.offset)

    @property
    def signature(self) -> str | None:
        """The MBR signature as 8 hex digits, where one is given."""
        return f"{self.id:08X}" if self.id and self.id < 1 << 32 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One attribute of one element, or one value of a key, as text."""

    name: str
    attribute: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecoveryConfig:
    """One recovery configuration (ReAgent.xml).

    `store_object`: the recovery loader's GUID in the boot store; `None` where unset (zeros).
    `enabled`: InstallState 1 or 0, `None` where it says neither. `settings`: everything else.
    """

    path: str
    version: str | None = None
    enabled: bool | None = None
    store_object: str | None = None
    locations: tuple[RecoveryLocation, ...] = ()
    settings: tuple[Setting, ...] = ()
    problem: Text | None = None

    def location(self, element: str = "WinreLocation") -> RecoveryLocation | None:
        """Return a location by the name of its element."""
        return next((item for item in self.locations if item.element == element), None)


# --- system registry --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class MountedDevice:
    """One name of a volume in MountedDevices and what it stands for.

    `kind`: `gpt` (`partition_id`), `mbr` (`disk_id`, `partition_offset`), `device` (a device
    path in `text`), or `other` (`raw`).
    """

    name: str
    kind: Literal["gpt", "mbr", "device", "other"]
    partition_id: str | None = None
    disk_id: str | None = None
    partition_offset: int | None = None
    text: str | None = None
    raw: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Exclusion:
    """Files that the system itself keeps out of backups or snapshots, under one name."""

    name: str
    patterns: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverStart:
    """When a storage driver starts: 0 with the loader … 3 on demand, 4 never.

    `overrides`: StartOverride (by hardware profile), which wins over `start` in Windows 8 and
    later. `image`: the driver's file as stored.
    """

    name: str
    start: int | None
    overrides: tuple[int, ...] = ()
    group: str | None = None
    image: str | None = None

    @property
    def starts_with_loader(self) -> bool:
        """Whether it is there when the system volume is first looked for."""
        # NOTE: common practice: an override of 3 keeps a driver out that was never in use.
        return self.start == 0 and all(value == 0 for value in self.overrides)


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemRegistry:
    """What the system's registry says of drives, drivers and copies.

    `firmware`: 1 BIOS, 2 UEFI, where stored. `boot_device`: the system partition as the last
    start saw it. `fast_start`: whether an ordinary shutdown hibernates the kernel, where stored.
    """

    path: str
    state: HiveState | None
    control_set: int | None = None
    firmware: int | None = None
    boot_device: str | None = None
    mounted: tuple[MountedDevice, ...] = ()
    not_to_backup: tuple[Exclusion, ...] = ()
    not_to_snapshot: tuple[Exclusion, ...] = ()
    drivers: tuple[DriverStart, ...] = ()
    fast_start: bool | None = None
    problems: tuple[Text, ...] = ()

    def driver(self, name: str) -> DriverStart | None:
        """Return a driver by its service's name, in any case."""
        return next((item for item in self.drivers if item.name.lower() == name.lower()), None)


# --- Linux ------------------------------------------------------------------------------------

LinuxKind = Literal[
    "uuid",
    "partuuid",
    "label",
    "partlabel",
    "by-id",
    "by-path",
    "device",
    "mapper",
    "path",
    "none",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class LinuxReference:
    """One name of a filesystem, device or file in a Linux configuration.

    `kind`: how it is named; `device` is a plain name that depends on the order of drives
    (`/dev/sda2`, GRUB's `hd0,gpt2`), `mapper` a mapped device or logical volume, `path` a file,
    `none` something that names no part of a drive (tmpfs, a share). `purpose`: `mount`, `swap`,
    `crypt`, `root`, `resume`, `search`, `grub-root`, `kernel`, `initrd`, `chainload` …; `target`:
    the mount point or mapped name. `optional`: marked so that a start does without. `line` is the
    first of `count` equal ones in that file.
    """

    file: str
    line: int
    kind: LinuxKind
    value: str
    purpose: str
    target: str | None = None
    optional: bool = False
    count: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Initramfs:
    """An initial RAM filesystem: which storage drivers it brings.

    `compression`: `none`, `gzip`, `xz`, `lzma`, `bzip2`, `zstd`, `lz4`, `lzo` or `unknown`.
    `drivers` are module names found; `problem` says why the list is not whole.
    """

    path: str
    compression: str
    drivers: tuple[str, ...] = ()
    problem: Text | None = None


# --- boot code and the whole ------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class BootCode:
    """Machine code that a BIOS runs: in sector 0, or in a partition's boot sector.

    `start` and `length`: where it lies, in bytes of what was read. `present`: not all zeros.
    `loader`: what the code names as the next thing to start, where it is known. `further_*`: the
    same of the loader's further sectors, where its filesystem has room for such; `None`: it has
    none, or they were not read.
    """

    place: Literal["mbr", "boot-sector"]
    start: int
    length: int
    present: bool
    digest: str
    loader: str | None = None
    further_present: bool | None = None
    further_digest: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GrubCore:
    """The image that a boot sector of GRUB starts, by the sectors that are named for it.

    `place`: the partition that the boot sector begins, 0 for sector 0. `runs`: first sector and
    how many, of 512 bytes from the start of the drive, in the order they are loaded. `digest`:
    BLAKE3 over them; `problem`: why there is none. `zero_sectors`: how many hold only zeros.
    """

    place: int
    runs: tuple[tuple[int, int], ...]
    digest: str | None = None
    problem: str | None = None
    zero_sectors: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class StartEntry:
    """A system in a list that counts partitions (boot.ini).

    `drive`: from 0, as the BIOS counts; `partition`: from 1, without empty and extended records.
    """

    file: str
    drive: int
    partition: int
    folder: str
    default: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenFile:
    """A file that was looked at: its path, and its length where known."""

    path: str
    size_bytes: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BootRecord:
    """Everything of one partition that a start or a recovery depends on.

    `files`: every file looked at, so that its presence can be told from its absence. `problems`:
    files that could not be made sense of as a whole. `forms`: files that were held to their own
    formats; `None` where that was not done.
    """

    stores: tuple[BootStore, ...] = ()
    loaders: tuple[LoaderImage, ...] = ()
    recovery: tuple[RecoveryConfig, ...] = ()
    images: tuple[RecoveryImage, ...] = ()
    registry: SystemRegistry | None = None
    linux: tuple[LinuxReference, ...] = ()
    kernel_settings: tuple[Setting, ...] = ()
    initramfs: tuple[Initramfs, ...] = ()
    code: BootCode | None = None
    start_list: tuple[StartEntry, ...] = ()
    files: tuple[SeenFile, ...] = ()
    problems: tuple[Text, ...] = ()
    forms: tuple[FileForm, ...] | None = None

    def file(self, path: str) -> SeenFile | None:
        r"""Return a file by its path, `\` or `/` between names, upper and lower case alike."""
        wanted = path.replace("\\", "/").lower()
        return next((item for item in self.files if item.path.lower() == wanted), None)
