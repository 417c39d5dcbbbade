"""What is recorded of an image file: its kind, its files, what it says of itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from verify.text.field import Text

ImageKind = Literal["raw", "split", "vhd", "vhdx", "vmdk", "e01"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFile:
    """One file of an image: its own name and its length in bytes."""

    name: str
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredHash:
    """A digest of the drive's bytes that the image carries, hex; it was not computed again."""

    algorithm: Literal["md5", "sha1"]
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageFacts:
    """What an image file says of itself, and what of it was verified.

    `form`: which of its kind's forms (fixed, dynamic, `monolithicSparse` …). `files`: all that
    it consists of, in order. `drive_bytes`: the length of the drive in it; `size_from`: the field
    that says so. `geometry_bytes`: the length by its cylinders, heads and sectors, where that is
    another one. `padding_bytes`: zeros at the drive's end that only round it up. `verified`: what
    was held against the container's own checksums and limits.
    `notes`: what a person should know of it. `maker`: the program that wrote it, as it says.
    """

    kind: ImageKind
    form: Text
    files: tuple[StoredFile, ...]
    drive_bytes: int
    size_from: Text
    geometry_bytes: int | None = None
    padding_bytes: int = 0
    identifier: str | None = None
    maker: str | None = None
    hashes: tuple[StoredHash, ...] = ()
    verified: tuple[Text, ...] = ()
    notes: tuple[Text, ...] = ()
