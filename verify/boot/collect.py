"""Which files of a partition belong to the start of a machine, and how much of each is looked at.

`WANTED` is the written-out list; the first pattern that fits a path decides. A path starts with
`/`, as in `/EFI/Microsoft/Boot/BCD`. In a pattern `?` is one character and `*` any number of them
inside one name; a name `**` stands for any number of folders. NTFS, FAT and exFAT do not tell
upper from lower case, ext does.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from verify.boot import bcd, boot_ini, reagent, registry
from verify.boot.bios_loaders import LINUX_FILES, ROOT_FILES
from verify.boot.file_form import Form
from verify.filesystem.kinds import kinds_of, traits_of
from verify.structs.regf import BASE_BLOCK
from verify.structs.wim import HEADER
from verify.units import KIB, MIB

Role = Literal[
    "store",
    "loader",
    "recovery-config",
    "image",
    "registry",
    "log",
    "linux",
    "kernel-config",
    "initramfs",
    "start-list",
    "other",
]

FAT_KINDS = kinds_of("fat")
WINDOWS_KINDS = kinds_of("fat", "ntfs")
EXT_KINDS = kinds_of("ext")
LINUX_KINDS = FAT_KINDS | EXT_KINDS

LOADER_BYTES = 4 * KIB
"""Leading bytes of a loader: its PE headers."""

LOG_BYTES = BASE_BLOCK.size
"""The base block of a hive's transaction log."""

TEXT_BYTES = MIB
"""The largest text configuration read."""

INITRAMFS_BYTES = 128 * MIB
"""The largest initial RAM filesystem looked into."""

STORAGE_DRIVERS = (
    "storahci",
    "stornvme",
    "storport",
    "msahci",
    "atapi",
    "ataport",
    "pciide",
    "intelide",
    "vmd",
    "iaStor*",
    "nvme*",
    "amd_sata",
    "amdsata",
    "rcraid",
    "rcbottom",
    "disk",
    "partmgr",
    "volmgr",
    "volume",
)
"""Driver files between a started loader and its system volume (names of Windows services)."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Files that matter to a start: on which filesystems, their role, and how much to hand over.

    `leading_bytes`: at most so many bytes from the start of the file; 0: none. `boot_set`: hashed
    whole at every depth. `held_to`: the format that it is held to, where that is not its role's.
    """

    pattern: str
    kinds: frozenset[str]
    role: Role
    leading_bytes: int = 0
    boot_set: bool = True
    held_to: Form | None = None

    @property
    def form(self) -> Form | None:
        """The format that the file is held to."""
        return self.held_to or _FORMS.get(self.role)

    @property
    def looked_at(self) -> bool:
        """Whether anything of the file is looked into."""
        return bool(self.leading_bytes) or self.form is not None


_FORMS: dict[Role, Form] = {
    "store": "hive",
    "registry": "hive",
    "loader": "program",
    "image": "image",
    "recovery-config": "xml",
    "linux": "text",
    "start-list": "text",
    "kernel-config": "text",
}


_NTFS = kinds_of("ntfs")

_CONFIG = "/Windows/System32/config"

# SPEC: Microsoft Learn, "Registry Hives" (an account's NTUSER.DAT) and "Predefined Keys"
# (UsrClass.dat); the accounts of services are common practice, as is the older place of both.
ACCOUNT_HIVES = (
    "/Users/*/NTUSER.DAT",
    "/Users/*/AppData/Local/Microsoft/Windows/UsrClass.dat",
    "/Documents and Settings/*/NTUSER.DAT",
    "/Documents and Settings/*/Local Settings/Application Data/Microsoft/Windows/UsrClass.dat",
    "/Windows/ServiceProfiles/*/NTUSER.DAT",
)

# NOTE: common practice: what runs before anybody can log in.
CORE_PROGRAMS = (
    *("smss.exe", "csrss.exe", "wininit.exe", "winlogon.exe", "services.exe", "lsass.exe"),
    *("userinit.exe", "svchost.exe", "ntdll.dll", "kernel32.dll", "KernelBase.dll", "ci.dll"),
    *("kdcom.dll", "bootvid.dll", "pshed.dll", "ntkrnlpa.exe", "win32k*.sys", "lsasrv.dll"),
)

# SPEC: Microsoft Learn, "Windows Setup Automation Overview": where answer files are looked for.
ANSWER_FILES = (
    "/unattend.xml",
    "/autounattend.xml",
    "/Windows/Panther/unattend.xml",
    "/Windows/Panther/Unattend/unattend.xml",
    "/Windows/System32/Sysprep/unattend.xml",
)

WANTED: tuple[Wanted, ...] = (
    # The boot store and what is written beside it.
    Wanted("/EFI/Microsoft/Boot/BCD", FAT_KINDS, "store", bcd.MOST_BYTES),
    Wanted("/EFI/Microsoft/Boot/BCD.LOG*", FAT_KINDS, "log", LOG_BYTES),
    Wanted("/Boot/BCD", WINDOWS_KINDS, "store", bcd.MOST_BYTES),
    Wanted("/Boot/BCD.LOG*", WINDOWS_KINDS, "log", LOG_BYTES),
    # Loaders. NOTE: \bootmgr is a 16-bit stub in front of what it unpacks, no PE file.
    *(Wanted(f"/{name}", WINDOWS_KINDS, "loader", LOADER_BYTES) for name in ROOT_FILES),
    *(
        Wanted(f"/{name}", WINDOWS_KINDS | EXT_KINDS, "loader", LOADER_BYTES)
        for name in LINUX_FILES
    ),
    Wanted("/bootmgr.efi", WINDOWS_KINDS, "loader", LOADER_BYTES),
    Wanted("/EFI/**/*.efi", FAT_KINDS, "loader", LOADER_BYTES),
    Wanted("/Windows/System32/winload.*", _NTFS, "loader", LOADER_BYTES),
    Wanted("/Windows/System32/winresume.*", _NTFS, "loader", LOADER_BYTES),
    Wanted("/Windows/System32/Boot/*.e??", _NTFS, "loader", LOADER_BYTES),
    Wanted("/Windows/System32/ntoskrnl.exe", _NTFS, "loader", LOADER_BYTES),
    Wanted("/Windows/System32/hal.dll", _NTFS, "loader", LOADER_BYTES),
    Wanted("/WINNT/System32/ntoskrnl.exe", WINDOWS_KINDS, "loader", LOADER_BYTES),
    Wanted("/WINNT/System32/hal.dll", WINDOWS_KINDS, "loader", LOADER_BYTES),
    *(
        Wanted(f"/Windows/System32/drivers/{name}.sys", _NTFS, "loader", LOADER_BYTES)
        for name in STORAGE_DRIVERS
    ),
    *(
        Wanted(f"/Windows/System32/{name}", _NTFS, "other", held_to="program")
        for name in CORE_PROGRAMS
    ),
    # Of all other drivers the headers.
    Wanted("/Windows/System32/drivers/*.sys", _NTFS, "other", boot_set=False, held_to="program"),
    # Recovery: its configuration, its RAM disk, and the headers of images (too large to hash
    # at every depth).
    Wanted("/Windows/System32/Recovery/ReAgent.xml", _NTFS, "recovery-config", reagent.MOST_BYTES),
    Wanted("/Recovery/*/ReAgent.xml", WINDOWS_KINDS, "recovery-config", reagent.MOST_BYTES),
    Wanted("/Recovery/*/boot.sdi", WINDOWS_KINDS, "loader", LOADER_BYTES),
    Wanted("/Windows/System32/Recovery/*.wim", _NTFS, "image", HEADER.size, boot_set=False),
    *(
        Wanted(f"/{folder}/**/*.{suffix}", WINDOWS_KINDS, "image", HEADER.size, boot_set=False)
        for folder in ("Recovery", "RecoveryImage", "sources")
        for suffix in ("wim", "swm", "esd")
    ),
    # The system's registry.
    Wanted(f"{_CONFIG}/SYSTEM", _NTFS, "registry", registry.MOST_BYTES),
    Wanted(f"{_CONFIG}/SYSTEM.LOG*", _NTFS, "log", LOG_BYTES),
    *(
        row
        for path in (
            *(f"{_CONFIG}/{hive}" for hive in ("SOFTWARE", "SAM", "SECURITY", "DEFAULT")),
            *ACCOUNT_HIVES,
        )
        for row in (
            Wanted(path, _NTFS, "other", held_to="hive"),
            Wanted(f"{path}.LOG*", _NTFS, "log", LOG_BYTES, boot_set=False),
        )
    ),
    *(Wanted(path, _NTFS, "other", boot_set=False, held_to="xml") for path in ANSWER_FILES),
    # Linux: what names a filesystem, on the root, on a partition of its own for /boot, or on
    # the EFI system partition.
    *(
        Wanted(path, EXT_KINDS, "linux", TEXT_BYTES)
        for path in (
            "/etc/fstab",
            "/etc/crypttab",
            "/etc/default/grub",
            "/etc/default/grub.d/*",
            "/etc/kernel/cmdline",
            "/etc/initramfs-tools/conf.d/*",
        )
    ),
    *(
        Wanted(prefix + path, LINUX_KINDS, "linux", TEXT_BYTES)
        for prefix in ("/boot", "")
        for path in (
            "/grub/grub.cfg",
            "/grub/grub.conf",
            "/grub/menu.lst",
            "/grub/grubenv",
            "/grub2/grub.cfg",
            "/grub2/grubenv",
            "/loader/entries/*.conf",
        )
    ),
    Wanted("/EFI/**/grub.cfg", FAT_KINDS, "linux", TEXT_BYTES),
    Wanted("/EFI/**/grubenv", FAT_KINDS, "linux", TEXT_BYTES),
    *(
        Wanted(prefix + path, LINUX_KINDS, "initramfs", INITRAMFS_BYTES)
        for prefix in ("/boot", "")
        for path in ("/initrd*", "/initramfs*")
    ),
    *(
        Wanted(prefix + "/vmlinuz*", LINUX_KINDS, "loader", LOADER_BYTES)
        for prefix in ("/boot", "")
    ),
    *(
        Wanted(prefix + "/config-*", LINUX_KINDS, "kernel-config", TEXT_BYTES)
        for prefix in ("/boot", "")
    ),
    # NOTE: boot loader entries of type 1 keep kernels under the machine's id, 32 hex digits.
    Wanted("/" + "?" * 32 + "/*/linux", FAT_KINDS, "loader", LOADER_BYTES),
    Wanted("/" + "?" * 32 + "/*/initrd*", FAT_KINDS, "initramfs", INITRAMFS_BYTES),
    *(Wanted(path, LINUX_KINDS, "other") for path in ("/grub/**", "/grub2/**", "/loader/**")),
    # Everything else beside them.
    Wanted("/EFI/**", FAT_KINDS, "other"),
    Wanted("/Boot/**", WINDOWS_KINDS, "other"),
    Wanted("/boot/**", EXT_KINDS, "other"),
    Wanted("/BOOTNXT", WINDOWS_KINDS, "other"),
    Wanted("/boot.ini", WINDOWS_KINDS, "start-list", boot_ini.MOST_BYTES),
    *(
        Wanted(prefix + name, WINDOWS_KINDS | EXT_KINDS, "other")
        for prefix in ("", "/boot")
        for name in ("/syslinux.cfg", "/extlinux.conf", "/syslinux/**", "/extlinux/**")
    ),
    Wanted("/config.sys", FAT_KINDS, "other"),
    Wanted("/etc/lilo.conf", EXT_KINDS, "other"),
)


def wanted_bytes(path: str, kind: str) -> int:
    """Return how many leading bytes of a file to hand to `assemble`, at most; 0: none.

    Args:
        path: the file's path on its partition, from `/`.
        kind: the partition's filesystem, as `verify.filesystem.description.Filesystem.kind`.
    """
    wanted = wanted_file(path, kind)
    return 0 if wanted is None else wanted.leading_bytes


def wanted_file(path: str, kind: str) -> Wanted | None:
    """Return the first row of `WANTED` that fits a file, or `None`."""
    rows, pattern = _matcher(kind, path[1:].split("/", 1)[0])
    if pattern is None or (found := pattern.fullmatch(path)) is None:
        return None
    # NOTE: each row is one group, so the last group that took part tells the row.
    return rows[(found.lastindex or 1) - 1]


def wants_nothing_below(folder: str, kind: str) -> bool:
    """Whether no row of `WANTED` can fit a path inside a folder, by the folder's first name."""
    return _matcher(kind, folder[1:].split("/", 1)[0])[1] is None


@lru_cache(maxsize=1024)
def _matcher(kind: str, first: str) -> tuple[tuple[Wanted, ...], re.Pattern[str] | None]:
    """Return the rows that a path may fit whose first name is `first`: for most there are none."""
    flags = re.DOTALL | (re.IGNORECASE if traits_of(kind).caseless else re.NOFLAG)
    rows = tuple(
        row
        for row in WANTED
        if kind in row.kinds
        and re.fullmatch(_expression("/" + row.pattern.split("/")[1]), "/" + first, flags)
    )
    if not rows:
        return (), None
    return rows, re.compile("|".join(f"({_expression(row.pattern)})" for row in rows), flags)


def _expression(pattern: str) -> str:
    """Return a pattern as a regular expression without groups of its own."""
    parts = []
    for name in pattern.split("/")[1:]:
        if name == "**":
            parts.append("(?:/[^/]+)*")
        else:
            parts.append("/" + re.escape(name).replace(r"\*", "[^/]*").replace(r"\?", "[^/]"))
    return "".join(parts)
