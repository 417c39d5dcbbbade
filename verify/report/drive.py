"""What is on one drive, for people: the view of `show`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.padding import Padding
from rich.text import Text

from verify.report.comparison_report import (
    NOT_TOLD,
    both_sizes,
    partition_bytes,
    partition_words,
    when,
)
from verify.report.health_words import health_facts
from verify.report.image_words import image_words, notes_words, verified_words
from verify.report.scope_words import ONE_PARTITION_ONLY
from verify.report.terminal import facts_table, plain, section, sentence
from verify.rules.filesystem.filesystem_dirty import STATES
from verify.text.message import counted, joined, say
from verify.units import decimal_size

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console

    from verify.manifest.header import Header, Partition, View
    from verify.manifest.partition_contents import Listing
    from verify.source.images.facts import ImageFacts
    from verify.table.partition_table import GptHeader, Table

_KINDS = {"device": say("device"), "image": say("image")}


_NOT_READ = {
    "layout": say("contents, except of files that the computer needs to start"),
    "sample": say("contents outside the sample"),
    "full": say("everything was read"),
}
"""What a depth leaves out."""


def _not_read(header: Header) -> str:
    return "" if header.unread and header.depth == "full" else _NOT_READ[header.depth]


def print_drive(console: Console, header: Header) -> None:
    """Print what a manifest's header says."""
    section(console, say("DRIVE"))
    console.print(facts_table(_drive(header)))
    section(console, say("TABLE"))
    console.print(facts_table(_table(header.table)))
    section(console, say("PARTITIONS"), "" if header.partitions else say("none"))
    for partition in header.partitions:
        console.print(
            Text(f"{partition.number}  ", style="bold") + plain(partition_words(partition))
        )
        console.print(Padding(facts_table(_partition(header, partition)), (0, 0, 0, 3)))
    section(console, say("NOT READ"), _not_read(header))
    for item in header.unread:
        what = item.what
        if item.partition is not None:
            what = say("{what} (partition {number})", what=what, number=item.partition)
        line = plain(what) + Text(": ") + sentence(item.reason)
        console.print(Padding(line, (0, 0, 0, 2)))


def _drive(header: Header) -> Iterator[tuple[str, str]]:
    drive = header.drive
    yield say("path"), drive.path
    if header.scope == "partition":
        yield say("scope"), _of_which_drive(header)
    elif header.scope == "unconfirmed":
        yield say("scope"), say("no partition table: a whole drive or a single partition")
    yield say("kind"), _KINDS.get(drive.kind, drive.kind)
    if drive.image is not None:
        yield from _image(drive.image)
    yield say("model"), drive.model or NOT_TOLD
    yield say("serial"), serial_words(drive.serial, drive.serial_source)
    yield say("size"), both_sizes(drive.size_bytes)
    physical = drive.physical_sector_bytes
    grid = NOT_TOLD if physical is None else say("{size:,} bytes", size=physical)
    logical = say("{size:,} bytes", size=drive.sector_bytes)
    yield say("sectors"), say("logical {logical}, physical {grid}", logical=logical, grid=grid)
    if header.health:
        yield from health_facts(header.health.latest)
    if drive.mounted:
        yield say("mounted"), ", ".join(drive.mounted)
    if drive.changed_while_read:
        yield say("changed"), say("the partition table changed while the drive was read")
    read = say("{moment}, depth {depth}", moment=when(header.capture.started), depth=header.depth)
    yield say("read"), read


def _image(image: ImageFacts) -> Iterator[tuple[str, str]]:
    yield say("image"), image_words(image)
    for file in image.files:
        yield say("file"), say("{name}, {size:,} bytes", name=file.name, size=file.size_bytes)
    yield say("verified"), verified_words(image)
    if notes := notes_words(image):
        yield say("note"), notes


def _of_which_drive(header: Header) -> str:
    part = header.drive.part_of
    if part is None:
        return say("{scope}, not a whole drive", scope=ONE_PARTITION_ONLY)
    names = " ".join(word for word in (part.model, part.serial) if word)
    drive = say("{path} ({name})", path=part.path, name=names) if names else part.path
    return say("{scope}, of {drive}", scope=ONE_PARTITION_ONLY, drive=drive)


def _table(table: Table) -> Iterator[tuple[str, str]]:
    yield say("scheme"), say("none") if table.scheme == "none" else table.scheme.upper()
    yield say("id"), table.disk_id or say("none")
    for word, copy in ((say("primary"), table.primary), (say("backup"), table.backup)):
        if copy is not None:
            yield word, _copy(copy)
    if table.written_for is not None:
        yield (
            say("written"),
            say(
                "for sectors of {size:,} bytes, which this drive does not have",
                size=table.written_for,
            ),
        )
    for text in (*table.ambiguous, *table.problems):
        yield say("problem"), text


def _copy(copy: GptHeader) -> str:
    state = copy.problem or copy.entries_problem or say("whole")
    return say("at LBA {place:,}: {state}", place=copy.at_lba, state=state)


def _partition(header: Header, partition: Partition) -> Iterator[tuple[str, str]]:
    place = say(
        "LBA {start:,}, {count:,} sectors", start=partition.start_lba, count=partition.sectors
    )
    yield say("place"), place
    yield say("size"), both_sizes(partition_bytes(header, partition))
    if partition.guid:
        yield "GUID", partition.guid
    if partition.name:
        yield say("name"), partition.name
    if partition.attributes:
        yield say("attributes"), f"{partition.attributes:016X}"
    if partition.active:
        yield say("active"), say("yes")
    if not partition.container:
        yield from _filesystem(partition)


def _filesystem(partition: Partition) -> Iterator[tuple[str, str]]:
    filesystem = partition.filesystem
    if filesystem.id:
        yield say("id"), f"{filesystem.id} ({filesystem.kind})"
    if filesystem.cluster_bytes:
        yield say("clusters"), say("{size:,} bytes", size=filesystem.cluster_bytes)
    if filesystem.free_bytes is not None:
        yield say("free"), both_sizes(filesystem.free_bytes)
    if filesystem.clean is not None:
        state = say("cleanly dismounted") if filesystem.clean else say("not cleanly dismounted")
        states = (STATES.get(word, word) for word in filesystem.state)
        yield say("state"), joined((state, *states))
    if partition.listing:
        yield say("holds"), _holds(partition.listing)
    if partition.snapshot:
        snapshot = say("{path}: the files were read from there", path=partition.snapshot.path)
        yield say("snapshot"), snapshot
    if partition.view:
        yield from _view(partition.view)
    for item in (*filesystem.unread, *partition.unread):
        yield say("not read"), say("{what}: {reason}", what=item.what, reason=item.reason)


def _holds(listing: Listing) -> str:
    files = counted("{count:,} file", "{count:,} files", listing.files)
    folders = counted("{count:,} folder", "{count:,} folders", listing.folders)
    parts = [files, folders, decimal_size(listing.bytes)]
    return joined(parts if listing.complete else [*parts, say("not all of it could be listed")])


def _view(view: View) -> Iterator[tuple[str, str]]:
    tie = say("the volume's identifier") if view.tie == "identity" else say("its size only")
    told = say(
        "{kind}, read through {path}, matched by {tie}",
        kind=view.filesystem.kind,
        path=view.path,
        tie=tie,
    )
    yield say("view"), told
    if view.listing:
        yield say("holds"), _holds(view.listing)
    for item in view.unread:
        yield say("not read"), say("{what}: {reason}", what=item.what, reason=item.reason)


def serial_words(serial: str | None, source: str | None) -> str:
    """Say a serial number, and where it is the adapter's and not the drive's own."""
    if serial is None or source != "adapter":
        return serial or NOT_TOLD
    return say("{serial} (of the adapter)", serial=serial)
