"""What a filesystem says of itself, as plain data.

Sizes are in bytes; identifiers in upper-case hex. `None` means: this filesystem has no such
thing, or it could not be read, and then `unread` says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from verify.filesystem.kinds import KINDS, Traits, traits_of
from verify.text.field import Text

READABLE_KINDS = frozenset(kind for kind, traits in KINDS.items() if traits.readable)
"""The kinds whose files this tool lists; the rest is compared as raw bytes."""

NO_CONTENT_KINDS = frozenset(kind for kind, traits in KINDS.items() if not traits.decides)
"""Kinds whose bytes do not matter: reserved space, swap, LDM metadata, a container of others."""

LOCKED_KINDS = frozenset(kind for kind, traits in KINDS.items() if traits.locked)
"""Encrypted volumes: their files cannot be seen; equal bytes are full proof."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Backup:
    """The backup boot sector, boot region or superblock.

    `place` says where it was looked for, in words; `offset` in bytes of the partition where it
    was found (or expected). `state`: `same`; `moved_only` (differs from the main copy in nothing
    but hidden sectors, free-space hints and state bits); `differs`; `missing`; `unread`.
    """

    place: Text
    offset: int | None
    state: Literal["same", "moved_only", "differs", "missing", "unread"]
    detail: Text | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeJournal:
    """The journal in which NTFS notes every change of a file (USN).

    `id`: 64 bits, hex, new with each journal. `position`: where the next note goes, in bytes; it
    only grows. `written`: when the newest note was made, in nanoseconds since 1970 UTC.
    """

    id: str
    position: int
    written: int | None = None


KeptBy = Literal["change-journal", "registry", "superblock", "mounted", "checked"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptTime:
    """When something was last done to a volume, as it keeps it beside the times of its files.

    `by`: what keeps it: `change-journal` (the newest note), `registry` (the base block of the
    system's registry), `superblock` (written last), `mounted`, `checked`. `at`: nanoseconds since
    1970 UTC, by the clock of the system that wrote it; it was up to `step` nanoseconds later.
    """

    by: KeptBy
    at: int
    step: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """Something that was not read, and why: a missing value is a value."""

    what: Text
    reason: Text


@dataclass(frozen=True, slots=True, kw_only=True)
class Filesystem:
    """One filesystem as described by its own boot sector, superblock, bitmap or FAT.

    `kind`: a READABLE kind, an opaque one (`bitlocker`, `luks`, `lvm`, `xfs`, `btrfs`, `swap`,
    `refs`, `apfs`, `hfsplus`, `msr`, `ldm`, `md-raid`, `extended` …), `unknown`, or `ambiguous`
    with its `candidates`. `sector_bytes`: the filesystem's own. `size_bytes`: what it says it
    spans. `free_bytes`: counted from the bitmap or FAT itself; `free_hint_bytes`: the stored hint.
    `clean`: cleanly dismounted and no error noted. `state`: what the flags say, in words.
    `log`: what its log says: `clean` (all of it is in place), `empty` (nothing was ever logged, or
    somebody emptied it), `pending` (changes wait in it); `None` where there is none, or it is not
    known. `log_position`: the log sequence number that an NTFS log is at. `resized`: the volume was
    marked for a check by a resize, or shows its traces. `hidden_sectors`: the boot sector's.
    `last_written`: seconds since 1970 UTC, where the filesystem keeps it; `kept`: all such times.
    `members`: of a set of
    drives, what its metadata calls them, this one among them; `features` has `devices-N`.
    """

    kind: str
    label: str | None = None
    id: str | None = None
    version: str | None = None
    sector_bytes: int | None = None
    cluster_bytes: int | None = None
    size_bytes: int | None = None
    used_bytes: int | None = None
    free_bytes: int | None = None
    free_hint_bytes: int | None = None
    clean: bool | None = None
    state: tuple[str, ...] = ()
    log: Literal["clean", "empty", "pending"] | None = None
    log_position: int | None = None
    hidden_sectors: int | None = None
    resized: bool = False
    backup: Backup | None = None
    last_written: int | None = None
    kept: tuple[KeptTime, ...] = ()
    boot_sector_digest: str | None = None
    features: tuple[str, ...] = ()
    members: tuple[str, ...] = ()
    candidates: tuple[str, ...] = ()
    unread: tuple[Unread, ...] = ()

    @property
    def traits(self) -> Traits:
        """What holds of every filesystem of its kind."""
        return traits_of(self.kind)
