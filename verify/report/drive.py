"""What is on one drive, for people: the view of `show`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.padding import Padding
from rich.text import Text

from verify.report.comparison_report import both_sizes, partition_bytes, partition_words, when
from verify.report.image_words import image_words, notes_words, verified_words
from verify.report.scope_words import ONE_PARTITION_ONLY
from verify.report.terminal import facts_table, plain, section, sentence
from verify.units import decimal_size

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console

    from verify.manifest.header import Header, Partition, View
    from verify.manifest.partition_contents import Listing
    from verify.source.images.facts import ImageFacts
    from verify.table.partition_table import GptHeader, Table


def print_drive(console: Console, header: Header) -> None:
    """Print what a manifest's header says."""
    section(console, "DRIVE")
    console.print(facts_table(_drive(header)))
    section(console, "TABLE")
    console.print(facts_table(_table(header.table)))
    section(console, "PARTITIONS", "" if header.partitions else "none")
    for partition in header.partitions:
        console.print(
            Text(f"{partition.number}  ", style="bold") + plain(partition_words(partition))
        )
        console.print(Padding(facts_table(_partition(header, partition)), (0, 0, 0, 3)))
    section(console, "NOT READ", "" if header.unread else "nothing was left out")
    for item in header.unread:
        where = "" if item.partition is None else f" (partition {item.partition})"
        line = plain(item.what + where) + Text(": ") + sentence(item.reason)
        console.print(Padding(line, (0, 0, 0, 2)))


def _drive(header: Header) -> Iterator[tuple[str, str]]:
    drive = header.drive
    yield "path", drive.path
    if header.scope == "partition":
        yield "scope", ONE_PARTITION_ONLY + _of_which_drive(header)
    elif header.scope == "unconfirmed":
        yield "scope", "no partition table: a whole drive or one partition, it does not say which"
    yield "kind", drive.kind
    if drive.image is not None:
        yield from _image(drive.image)
    yield "model", drive.model or "not reported"
    serial = drive.serial or "not reported"
    yield "serial", f"{serial} (of the adapter)" if drive.serial_source == "adapter" else serial
    yield "size", both_sizes(drive.size_bytes)
    physical = drive.physical_sector_bytes
    grid = "not reported" if physical is None else f"{physical:,} bytes"
    yield "sectors", f"{drive.sector_bytes:,} bytes logical, physical {grid}"
    if drive.mounted:
        yield "mounted", ", ".join(drive.mounted)
    if drive.changed_while_read:
        yield "changed", "the table changed while the drive was read"
    yield "read", f"{when(header.capture.started)}, depth {header.depth}"


def _image(image: ImageFacts) -> Iterator[tuple[str, str]]:
    yield "image", image_words(image)
    for file in image.files:
        yield "file", f"{file.name}, {file.size_bytes:,} bytes"
    yield "verified", verified_words(image)
    if notes := notes_words(image):
        yield "note", notes


def _of_which_drive(header: Header) -> str:
    part = header.drive.part_of
    if part is None:
        return ", not a whole drive"
    names = [word for word in (part.model, part.serial) if word]
    return f", of {part.path}" + (f" ({' '.join(names)})" if names else "")


def _table(table: Table) -> Iterator[tuple[str, str]]:
    yield "scheme", "none" if table.scheme == "none" else table.scheme.upper()
    yield "id", table.disk_id or "none"
    for word, copy in (("primary", table.primary), ("backup", table.backup)):
        if copy is not None:
            yield word, _copy(copy)
    if table.written_for is not None:
        yield "written", f"for sectors of {table.written_for:,} bytes, not those of this drive"
    for text in (*table.ambiguous, *table.problems):
        yield "problem", text


def _copy(copy: GptHeader) -> str:
    state = copy.problem or copy.entries_problem or "whole"
    return f"at LBA {copy.at_lba:,}: {state}"


def _partition(header: Header, partition: Partition) -> Iterator[tuple[str, str]]:
    yield "place", f"LBA {partition.start_lba:,}, {partition.sectors:,} sectors"
    yield "size", both_sizes(partition_bytes(header, partition))
    if partition.guid:
        yield "guid", partition.guid
    if partition.name:
        yield "name", partition.name
    marks = [f"attributes {partition.attributes:016X}"] if partition.attributes else []
    marks += ["active"] if partition.active else []
    if marks:
        yield "marks", ", ".join(marks)
    if not partition.container:
        yield from _filesystem(partition)


def _filesystem(partition: Partition) -> Iterator[tuple[str, str]]:
    filesystem = partition.filesystem
    if filesystem.id:
        yield "id", f"{filesystem.id} ({filesystem.kind})"
    if filesystem.cluster_bytes:
        yield "clusters", f"{filesystem.cluster_bytes:,} bytes"
    if filesystem.free_bytes is not None:
        yield "free", both_sizes(filesystem.free_bytes)
    if filesystem.clean is not None:
        state = "cleanly dismounted" if filesystem.clean else "not cleanly dismounted"
        yield "state", ", ".join((state, *filesystem.state))
    if partition.listing:
        yield "holds", _holds(partition.listing)
    if partition.snapshot:
        yield "snapshot", f"{partition.snapshot.path}: its files were read from there"
    if partition.view:
        yield from _view(partition.view)
    for item in (*filesystem.unread, *partition.unread):
        yield "not read", f"{item.what}: {item.reason}"


def _holds(listing: Listing) -> str:
    whole = "" if listing.complete else "; not all of it could be listed"
    folders = f"{listing.files:,} files in {listing.folders:,} folders"
    return f"{folders}, {decimal_size(listing.bytes)}{whole}"


def _view(view: View) -> Iterator[tuple[str, str]]:
    tie = "the volume's identifier" if view.tie == "identity" else "its size alone"
    yield "unlocked", f"{view.filesystem.kind}, read through {view.path}, tied by {tie}"
    if view.listing:
        yield "holds", _holds(view.listing)
    for item in view.unread:
        yield "not read", f"{item.what}: {item.reason}"
