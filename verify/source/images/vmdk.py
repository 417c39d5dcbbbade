"""VMDK: a descriptor and its extents, or one file that holds both."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from verify.errors import SourceMissing
from verify.source.images.facts import ImageFacts
from verify.source.images.image_file import Image, ImageFile, Refusing
from verify.source.images.vmdk_descriptor import (
    LONGEST_BYTES,
    Descriptor,
    Extent,
    is_own_name,
    read_descriptor,
    runs,
)
from verify.source.images.vmdk_sparse import open_sparse
from verify.structs import vmdk
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.source.images.vmdk_sparse import SparseExtent

_SECTOR = vmdk.SECTOR_BYTES
_GIVE_DESCRIPTOR = say(
    "Give the small file with the same name that describes it; all extents belong beside that file."
)
_ALL_FILES = say("Put all of its files into one folder, and give the one that describes them.")
_CONSOLIDATE = say("Merge its snapshots into a whole image, with the program that made it.")


class _Part(Protocol):
    def read(self, offset: int, length: int) -> bytes: ...


@dataclass(frozen=True, slots=True)
class _Flat:
    """Bytes of a file from `start`."""

    file: ImageFile
    start: int

    def read(self, offset: int, length: int) -> bytes:
        return self.file.read(self.start + offset, length)


class _Zeros:
    def read(self, offset: int, length: int) -> bytes:  # noqa: ARG002 - zeros anywhere
        return bytes(length)


@dataclass(slots=True, kw_only=True)
class Vmdk(Image):
    """A drive in extents: (start, end) of each in bytes of the drive, and what reads it."""

    parts: list[tuple[int, int, _Part]]

    def read(self, offset: int, length: int) -> bytes:
        """Return these bytes of the drive.

        Raises:
            ImageDamage: a compressed grain is damaged.
        """
        found = []
        stop = offset + length
        for start, end, part in self.parts:
            if start < stop and offset < end:
                begin = max(offset, start)
                found.append(part.read(begin - start, min(stop, end) - begin))
        return found[0] if len(found) == 1 else b"".join(found)


def open_sparse_vmdk(file: ImageFile) -> Vmdk:
    """Open one file that holds descriptor and grains.

    Raises:
        ImageRefused: it is damaged, or an extent of several.
    """
    refusing = Refusing(file.path, say("a VMDK"))
    extent = open_sparse(refusing, file)
    if extent.descriptor is None:
        raise Refusing(file.path, say("one extent of a VMDK")).because(
            say("it does not say what else belongs to the drive"), _GIVE_DESCRIPTOR
        )
    descriptor = read_descriptor(refusing, extent.descriptor)
    kinds = [(item.kind, item.sectors) for item in descriptor.extents]
    # NOTE: its extent is this file, by whatever name it had when it was made.
    if kinds != [("SPARSE", extent.sectors)]:
        raise refusing.because(say("its descriptor and its header do not describe one drive"))
    size = extent.sectors * _SECTOR
    parts: list[tuple[int, int, _Part]] = [(0, size, extent.blocks)]
    facts = _facts([file], descriptor, _verified([extent]), extent.notes)
    return Vmdk(files=[file], facts=facts, parts=parts)


def open_described(file: ImageFile) -> Vmdk:
    """Open the extents that a descriptor names, which lie beside it.

    Raises:
        ImageRefused: one is missing, damaged or of another size.
    """
    refusing = Refusing(file.path, say("a VMDK"))
    text = refusing.read(file, 0, min(file.size_bytes, LONGEST_BYTES), say("its descriptor"))
    descriptor = read_descriptor(refusing, text)
    files = [file]
    try:
        return _described(refusing, descriptor, files)
    except BaseException:
        for further in files[1:]:  # NOTE: the first is closed by who opened it
            further.close()
        raise


def _described(refusing: Refusing, descriptor: Descriptor, files: list[ImageFile]) -> Vmdk:
    parts: list[tuple[int, int, _Part]] = []
    sparse: list[SparseExtent] = []
    seen: dict[str, ImageFile] = {}
    taken: dict[str, list[tuple[int, int]]] = {}
    for at, extent in runs(descriptor.extents):
        span = at * _SECTOR, (at + extent.sectors) * _SECTOR
        if extent.kind == "ZERO":
            parts.append((*span, _Zeros()))
            continue
        if extent.file not in seen:
            seen[extent.file] = _open_beside(refusing, files[0], extent.file)
            files.append(seen[extent.file])
        further = seen[extent.file]
        if any(further.file_id == other.file_id for other in files if other is not further):
            raise refusing.because(say("its descriptor names one file under two names, or itself"))
        start, end = extent.offset * _SECTOR, (extent.offset + extent.sectors) * _SECTOR
        ranges = taken.setdefault(further.name, [])
        if any(start < other_end and other < end for other, other_end in ranges):
            raise refusing.because(
                say("two extents of its descriptor overlap in {file}", file=further.name)
            )
        ranges.append((start, end))
        if extent.kind == "SPARSE":
            sparse.append(_sparse_extent(refusing, further, extent))
            parts.append((*span, sparse[-1].blocks))
        else:
            if end > further.size_bytes:
                raise refusing.because(
                    say(
                        "its extent {file} is shorter than its descriptor says: it was cut short",
                        file=further.name,
                    )
                )
            parts.append((*span, _Flat(further, start)))
    whole = {extent.blocks.file.name for extent in sparse}
    unused = tuple(
        say(
            "{name}: {count:,} bytes behind the extent belong to no part of the drive.",
            name=file.name,
            count=file.size_bytes - end,
        )
        for file in files[1:]
        if file.name not in whole
        and file.size_bytes > (end := max(end for _, end in taken[file.name]))
    )
    left = tuple(note for extent in sparse for note in extent.notes)
    facts = _facts(files, descriptor, _verified(sparse), unused + left)
    return Vmdk(files=files, facts=facts, parts=parts)


def _open_beside(refusing: Refusing, first: ImageFile, name: str) -> ImageFile:
    if not is_own_name(name):
        raise refusing.because(say("its descriptor names a file that does not lie beside it"))
    try:
        file = ImageFile.opened(str(Path(first.path).parent / name))
    except SourceMissing as error:
        raise refusing.because(
            say("its extent {name} is missing", name=name), _ALL_FILES
        ) from error
    if not file.size_bytes:
        file.close()
        raise refusing.because(say("its extent {name} is empty", name=name), _ALL_FILES)
    return file


def _sparse_extent(refusing: Refusing, file: ImageFile, extent: Extent) -> SparseExtent:
    magic = refusing.read(file, 0, len(vmdk.MAGIC), say("the start of an extent"))
    if magic == vmdk.OLD_SPARSE_MAGIC:
        raise refusing.because(
            say("{file} is a copy-on-write extent of a server", file=file.name), _CONSOLIDATE
        )
    if magic != vmdk.MAGIC:
        raise refusing.because(say("its extent {file} has no header", file=file.name))
    found = open_sparse(refusing, file)
    if found.sectors != extent.sectors or extent.offset:
        raise refusing.because(
            say(
                "{file} holds {found} sectors, its descriptor says {told}",
                file=file.name,
                found=found.sectors,
                told=extent.sectors,
            )
        )
    return found


def _verified(extents: list[SparseExtent]) -> tuple[Message, ...]:
    told = [say("every extent is there, and as long as its descriptor says")]
    if extents:
        told.append(say("every grain lies inside its file, apart from all others"))
    if extents and all(extent.mirrored for extent in extents):
        told.append(say("both sets of grain tables are the same"))
    if any(extent.compressed for extent in extents):
        told.append(say("checksum of each compressed grain, when it is read"))
    return tuple(told)


def _facts(
    files: list[ImageFile],
    descriptor: Descriptor,
    verified: tuple[Message, ...],
    notes: tuple[Message, ...] = (),
) -> ImageFacts:
    return ImageFacts(
        kind="vmdk",
        form=descriptor.form,
        files=tuple(file.stored for file in files),
        drive_bytes=descriptor.sectors * _SECTOR,
        size_from=say("extents in the descriptor"),
        identifier=descriptor.identifier.upper() or None,
        verified=verified,
        notes=notes,
    )
