"""One name in a filesystem, with everything that a comparison needs of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from verify.source.drive import GIVEN_UP
from verify.text.message import say

Kind = Literal["file", "folder", "link", "other"]


NOT_TRIED = say("it says it is larger than its volume (a sparse file), and was not read")
"""Why a file has no hash, where nobody tried: its length need not be true."""

TOUCHES_UNREADABLE = say("it touches sectors that cannot be read")
RUNS_TOO_LONG = say("its run list claims more clusters than the volume has")
RECORD_UNREADABLE = say("a record that tells where its clusters lie is unreadable")

_WHY: dict[str, str] = {
    str(why): why
    for why in (NOT_TRIED, TOUCHES_UNREADABLE, GIVEN_UP, RUNS_TOO_LONG, RECORD_UNREADABLE)
}


def why_unhashed(recorded: str) -> str:
    """Return why a file has no hash, as a row tells it, in words that other languages know."""
    return _WHY.get(recorded, recorded)


CASE_SENSITIVE = 1 << 32
"""Kept with a folder's attributes, though NTFS keeps it elsewhere: it tells names apart by case."""


@dataclass(slots=True)
class Stream:
    """A named stream of a file or folder: its size in bytes and, once read, its BLAKE3."""

    name: str
    size: int
    digest: str | None = None


@dataclass(slots=True)
class Entry:
    """One allocated name: a file, a folder, a symbolic link, or another kind of node.

    `path` starts with `/` and is the name's own bytes: UTF-8, bytes that are no text kept as
    lone surrogates U+DC80..U+DCFF, lone UTF-16 surrogates kept as such. `size` is the logical
    length of the unnamed stream in bytes. Times are nanoseconds since 1970 UTC (FAT keeps local
    time without a zone: it is taken as it stands). `node` is the inode, MFT record or directory
    entry number; names that share one are hard links. `extents` are runs of clusters (first,
    count), in file order, sparse ones left out. `reparse` is the tag of a reparse point in eight
    hex digits and `reparse_digest` the BLAKE3 of its data. `digest` is the BLAKE3 of the unnamed
    stream where it was read whole; `blocks` are single blocks of it (index, BLAKE3); `unhashed`
    says why there is no digest. `target` is what a symbolic link or a junction names.

    `attributes` are the flags that NTFS, FAT and exFAT keep, and `CASE_SENSITIVE`; or the inode
    flags of ext. `mode` are
    the low twelve bits of a Unix mode. `owner` is a SID, or `uid:gid`. `security` is a digest of an
    NTFS security descriptor, ` protected` behind it where it inherits nothing, or `unresolved`.
    `short` is the 8.3 name that a file has beside its own. `extended` are further attributes by
    name (those of Unix by their full names, NTFS's as `$EA` and `$EFS`) and the digest of each.

    `boot`: read at every depth, since the machine starts from it. `placed`: read for where it lies
    on the drive, and no part of the draw. `zero_blocks`: whole blocks of 4,096 bytes of the unnamed
    stream that are zero, where it was read whole, and `zero_tail` whether the rest behind the last
    whole block is.
    """

    kind: Kind
    path: str
    size: int = 0
    modified: int | None = None
    changed: int | None = None
    created: int | None = None
    node: int = 0
    links: int = 1
    extents: list[tuple[int, int]] = field(default_factory=list)
    streams: list[Stream] = field(default_factory=list)
    attributes: int | None = None
    mode: int | None = None
    owner: str | None = None
    security: str | None = None
    short: str | None = None
    extended: list[tuple[str, str]] = field(default_factory=list)
    reparse: str | None = None
    reparse_digest: str | None = None
    target: str | None = None
    digest: str | None = None
    blocks: list[tuple[int, str]] = field(default_factory=list)
    unhashed: str | None = None
    boot: bool = False
    placed: bool = False
    zero_blocks: int = 0
    zero_tail: bool = False
