"""What was listed and read of a partition, in numbers: a reader's answer, kept in a header."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """What is in a filesystem, counted: a file once a name, bytes once a file, no root.

    `links` are symbolic links, `others` devices, pipes and sockets. `stream_bytes`: named
    streams. `complete` is False where a folder could not be read to its end.
    """

    files: int
    folders: int
    bytes: int
    links: int = 0
    others: int = 0
    streams: int = 0
    stream_bytes: int = 0
    complete: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """How much of a partition's contents was read.

    `files_drawn`: files chosen by the lowest keyed hashes of their paths, out of
    `files_in_draw`; `threshold`: the highest such hash that was drawn (64 bits, hex), so that two
    captures can be held against each other. `blocks_*`: the same for blocks of `block_bytes` of
    large files and of partitions without a readable filesystem. `always`: files read at every
    depth because the machine needs them to start; `placed`: files read for where they lie, one of
    each GiB of the partition, beyond those that were drawn. `files_unreadable`: files with no hash
    because some of their bytes could not be read; `blocks_unreadable` likewise of raw partitions.
    """

    files_in_draw: int = 0
    files_drawn: int = 0
    threshold: str | None = None
    blocks_in_draw: int = 0
    blocks_drawn: int = 0
    block_threshold: str | None = None
    block_bytes: int = 0
    always: int = 0
    placed: int = 0
    files_hashed: int = 0
    bytes_hashed: int = 0
    files_unreadable: int = 0
    blocks_unreadable: int = 0
