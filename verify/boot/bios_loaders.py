"""The files that a BIOS comes to by the code in boot sectors, whatever system they start.

Names: Microsoft (NTLDR, bootmgr, IO.SYS; PC DOS and FreeDOS alike), the manuals of Syslinux,
GRUB and LILO. The code itself names them, see `bootcode.loader_in`.
"""

from __future__ import annotations

import re

ROOT_FILES = (
    "bootmgr",
    "ntldr",
    "ntdetect.com",
    "io.sys",
    "msdos.sys",
    "command.com",
    "ibmbio.com",
    "ibmdos.com",
    "kernel.sys",
    "os2boot",
    "os2ldr",
    "freeldr.sys",
    "grldr",
)
"""In the root folder of FAT and NTFS."""

LINUX_FILES = (
    "ldlinux.sys",
    "ldlinux.c32",
    "*/ldlinux.sys",
    "*/ldlinux.c32",
    "boot/*/ldlinux.sys",
    "boot/*/ldlinux.c32",
    "grub/i386-pc/core.img",
    "boot/grub/i386-pc/core.img",
    "grub2/i386-pc/core.img",
    "boot/grub2/i386-pc/core.img",
    "grub/stage2",
    "boot/grub/stage2",
    "boot/map",
)
"""Of loaders that start Linux, on any filesystem that they read (boot/map is LILO's)."""

_FIRST = re.compile(
    r"/(?:bootmgr|ntldr|io\.sys|ibmbio\.com|kernel\.sys|os2boot|freeldr\.sys|grldr)"
    r"|(?:/boot)?(?:/[^/]+)?/ldlinux\.sys"
    r"|(?:/boot)?/grub2?/(?:i386-pc/core\.img|stage2)"
    r"|/boot/map",
    re.IGNORECASE,
)


def is_bios_loader(path: str) -> bool:
    """Whether a file is what boot code starts first; `path` from `/`."""
    return _FIRST.fullmatch(path) is not None
