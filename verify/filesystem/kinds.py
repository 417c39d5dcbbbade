"""What holds of every filesystem of one kind: each has one description, and it stands here.

A kind that is not listed here is opaque: recognised at most, and compared as raw bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

System = Literal["windows", "linux", "macos"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Traits:
    """A kind of filesystem.

    `family`: kinds of one family differ in width or age alone; one reader lists them, and a change
    within it loses no file. `system`: the one whose own filesystem it is; `None`: anybody's.
    `readable`: its files are listed and read; others are compared as raw bytes. `locked`:
    encrypted: its files cannot be seen, and equal bytes are full proof. `decides`: whether its
    bytes decide anything, as those of reserved space do not. `from_start`: clusters are counted
    from the start of the volume, so that places of files are known without reading it.
    `caseless`: names are found whatever their case. `log`: whether it has a log that is read; it
    may lack one. `sectors`: what its system needs of the drive's sectors to mount it: those it was
    made for, or none longer than a block.
    """

    family: str
    system: System | None = None
    readable: bool = False
    locked: bool = False
    decides: bool = True
    from_start: bool = False
    caseless: bool = False
    log: Literal["always", "maybe"] | None = None
    sectors: Literal["its own", "up to a block"] = "its own"


_FAT = Traits(family="fat", readable=True, caseless=True)
_EXT = Traits(
    family="ext",
    system="linux",
    readable=True,
    from_start=True,
    log="maybe",
    sectors="up to a block",
)

KINDS: dict[str, Traits] = {
    "ntfs": Traits(
        family="ntfs",
        system="windows",
        readable=True,
        from_start=True,
        caseless=True,
        log="always",
    ),
    "fat12": _FAT,
    "fat16": _FAT,
    "fat32": _FAT,
    "exfat": Traits(family="exfat", readable=True, caseless=True),
    # SPEC: ext2 has no journal; ext4 may be made without one (Linux, ext4/super.rst).
    "ext2": Traits(
        family="ext", system="linux", readable=True, from_start=True, sectors="up to a block"
    ),
    "ext3": _EXT,
    "ext4": _EXT,
    "bitlocker": Traits(family="bitlocker", system="windows", locked=True),
    "luks": Traits(family="luks", system="linux", locked=True),
    "msr": Traits(family="msr", system="windows", decides=False),
    "ldm": Traits(family="ldm", system="windows", decides=False),
    "swap": Traits(family="swap", system="linux", decides=False),
    "extended": Traits(family="extended", decides=False),
}


def traits_of(kind: str) -> Traits:
    """Return what holds of a kind; an unknown one is opaque, and a family of its own."""
    return KINDS.get(kind) or Traits(family=kind)


def kinds_of(*families: str) -> frozenset[str]:
    """Return the kinds of some families."""
    return frozenset(kind for kind, traits in KINDS.items() if traits.family in families)
