"""The text that describes a VMDK: its extents in order, its parent, its form."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.source.images.blocks import MOST_BLOCKS
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.source.images.image_file import Refusing

LONGEST_BYTES = 1 << 20
"""A descriptor is a few hundred bytes; 20 MiB, as qemu's own limit, hold no more of use."""

_NO_PARENT = "ffffffff"
_SETTING = re.compile(r"([\w.]+)\s*=\s*\"?([^\"]*)\"?\Z")
_EXTENT = re.compile(
    r"(RW|RDONLY|NOACCESS)\s+(\d{1,19})\s+([A-Za-z]+)(?:\s+\"([^\"]*)\"(?:\s+(\d{1,19}))?)?\Z"
)
_LOOKS_LIKE_EXTENT = re.compile(r"\b(RW|RDONLY|NOACCESS|SPARSE|FLAT|ZERO|VMFS)\b")
_PARENT_ADVICE = say("Merge its snapshots into a whole image, with the program that made it.")
_MOST_EXTENTS = 4096


@dataclass(frozen=True, slots=True)
class Extent:
    """A part of the drive, in sectors: `file` holds it from sector `offset`; `ZERO` has none."""

    kind: str
    sectors: int
    file: str
    offset: int


@dataclass(frozen=True, slots=True)
class Descriptor:
    """What a descriptor says, once it is held to be of a whole drive."""

    form: str
    identifier: str
    extents: tuple[Extent, ...]

    @property
    def sectors(self) -> int:
        """Length of the drive."""
        return sum(extent.sectors for extent in self.extents)


def read_descriptor(refusing: Refusing, data: bytes) -> Descriptor:
    """Read a descriptor; `data` ends with it, or with zeros.

    Raises:
        ImageRefused: it is damaged, encrypted, a snapshot, or of a sort that is not read.
    """
    words, _, rest = data.partition(b"\0")
    if rest.count(0) != len(rest):
        raise refusing.because(say("its descriptor is damaged: text follows its end"))
    settings, lines = _lines(refusing, _decoded(words))
    if any(name.startswith("encryption") for name in settings):
        raise refusing.because(
            say("it is encrypted"), say("Decrypt it with the program that made it.")
        )
    parent = settings.get("parentcid", "").casefold()
    if parent != _NO_PARENT or "parentfilenamehint" in settings:
        raise refusing.because(
            (
                say("it is a snapshot, which holds only what differs from its parent")
                if parent
                else say("its descriptor does not say whether it is a whole drive")
            ),
            _PARENT_ADVICE,
        )
    if not 0 < len(lines) <= _MOST_EXTENTS:
        raise refusing.because(say("its descriptor names no extents, or too many"))
    extents = tuple(_extent(refusing, line) for line in lines)
    if sum(extent.sectors for extent in extents) > MOST_BLOCKS << 11:
        raise refusing.because(say("its drive is larger than this program reads"))
    return Descriptor(settings.get("createtype", ""), settings.get("cid", ""), extents)


def _lines(refusing: Refusing, text: str) -> tuple[dict[str, str], list[re.Match[str]]]:
    """Return a descriptor's settings, and its lines that name extents."""
    settings: dict[str, str] = {}
    lines: list[re.Match[str]] = []
    for line in filter(None, map(str.strip, text.splitlines())):
        if found := _EXTENT.match(line):
            lines.append(found)
        elif _LOOKS_LIKE_EXTENT.search(line.split('"')[0]):
            raise refusing.because(say("a line of its descriptor that names an extent is damaged"))
        elif found := _SETTING.match(line):
            settings.setdefault(found[1].casefold(), found[2].strip())
        elif not line.startswith("#"):
            raise refusing.because(say("a line of its descriptor is damaged"))
    # NOTE: every maker ends with these; without them lines that name extents may be gone.
    if not any(name.startswith("ddb.") for name in settings):
        raise refusing.because(say("the end of its descriptor is missing: it was cut short"))
    return settings, lines


def _decoded(data: bytes) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:  # NOTE: `encoding` names the code page of the machine that wrote it
        return data.decode("cp1252", "replace")


def _extent(refusing: Refusing, found: re.Match[str]) -> Extent:
    access, sectors, kind, file, offset = found.groups()
    kind = kind.upper()
    if access == "NOACCESS":
        raise refusing.because(say("its descriptor says that an extent must not be read"))
    if not int(sectors):
        raise refusing.because(say("an extent of its descriptor has no sectors"))
    if kind not in {"SPARSE", "FLAT", "ZERO", "VMFS"}:
        raise refusing.because(
            say("it has an extent of the sort {kind}, which this program does not read", kind=kind)
        )
    return Extent(kind, int(sectors), file or "", int(offset or 0))


def is_own_name(name: str) -> bool:
    """Whether it is a name without a folder: a descriptor is foreign text, and opens nothing else.

    NOTE: what one file holds that has its own descriptor in it is found without its name there.
    """
    return bool(name) and not set(name) & set("/\\:\0") and name not in (".", "..")


def runs(extents: tuple[Extent, ...]) -> Iterator[tuple[int, Extent]]:
    """Yield each extent with the sector of the drive that it begins at."""
    at = 0
    for extent in extents:
        yield at, extent
        at += extent.sectors
