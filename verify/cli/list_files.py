"""Lists of all files of a manifest: checked before anything is read, written row by row."""

import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from verify.errors import UsageError
from verify.platforms.this import PLATFORM
from verify.text.language import translated
from verify.text.message import Message, counted, say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.manifest.file import Manifest

CSV, CHECKSUMS = ".csv", ".b3"
LIST_ENDINGS = (CSV, CHECKSUMS)

ListOption = Annotated[
    list[str] | None,
    typer.Option(
        "--list",
        metavar="FILE",
        help=say(
            "List every file of a manifest (.csv), or the checksums of those that were read whole,"
            " for `b3sum --check`, one list for each partition (.b3). Needs --names. Can be"
            " repeated."
        ),
    ),
]
ListNamesOption = Annotated[
    bool,
    typer.Option("--names", help=say("Include the customer's file names, which --list needs.")),
]


@dataclass(frozen=True, slots=True)
class Lists:
    """The files that lists of a manifest are to be written to, and the partitions they are of."""

    files: tuple[Path, ...]
    manifest: "Manifest"
    partitions: tuple[int, ...]

    def write(self) -> None:
        """Write each list whole, and say on standard error what it holds.

        Raises:
            OutputError: one of them cannot be written; those before it are there.
            ManifestAltered: a row of the manifest is damaged.
        """
        for file in self.files:
            if file.suffix == CSV:
                _write_csv(file, self.manifest, self.partitions)
                continue
            for number in self.partitions:
                _write_checksums(_place(file, number), self.manifest, number)
            if not self.partitions:
                _print(say("{file}: no files were listed, so no list was written.", file=str(file)))


def lists_of(paths: list[str] | None, manifest: str, *, names: bool) -> Lists | None:
    """Return what lists go where, once it is clear that they can go there; `None`: none.

    Raises:
        UsageError: names were not asked for, no manifest is given, a format is unknown, or a file
            may not be written.
        OutputError: there is no such folder.
        ManifestError: the manifest cannot be used.
    """
    from verify.cli.capture_request import place_for
    from verify.manifest.file import is_manifest, open_manifest

    if not paths:
        return None
    if not names:
        raise UsageError(say("--list writes the customer's file names."), say("Add --names."))
    if not is_manifest(manifest):
        raise UsageError(
            say("{path}: is not a manifest, so no list is made of it.", path=manifest),
            say("Run `capture` first, and list its manifest."),
        )
    files = [Path(path) for path in paths]
    for file in files:
        if file.suffix not in LIST_ENDINGS:
            raise UsageError(
                say("{path}: unknown file type.", path=str(file)),
                say("Use one of {known}.", known=", ".join(LIST_ENDINGS)),
            )
        place_for(str(file), (manifest,), replace_it=False)
    if len(set(map(PLATFORM.real_path, files))) < len(files):
        raise UsageError(say("One file is named twice."), say("Name each report and list once."))
    opened = open_manifest(manifest)
    listed = tuple(item.number for item in opened.header.partitions if item.unlocked().readable)
    for file in files:
        for number in listed if file.suffix == CHECKSUMS else ():
            if os.path.lexists(place := _place(file, number)):
                raise UsageError(
                    say("{file}: already exists.", file=str(place)),
                    say("Name a new file; a list never replaces one."),
                )
    return Lists(tuple(files), opened, listed)


def _place(file: Path, number: int) -> Path:
    return file.with_name(f"{file.stem}-partition-{number}{CHECKSUMS}")


def _write_csv(file: Path, manifest: "Manifest", listed: tuple[int, ...]) -> None:
    from verify.report.file_lists import csv_head, csv_rows
    from verify.whole_file import whole_file

    count = 0
    with whole_file(file) as writing:
        writing.write(csv_head())
        for number in listed:
            for row in csv_rows(number, manifest.entries(number)):
                writing.write(row)
                count += 1
    _print(
        counted(
            "{file}: {count:,} file or folder listed.",
            "{file}: {count:,} files and folders listed.",
            count,
            file=str(file),
        )
    )


@dataclass(slots=True)
class _Sums:
    """How many files of a partition stand in its list, and how many do not."""

    written: int = 0
    unread: int = 0
    unnamed: int = 0


def _write_checksums(place: Path, manifest: "Manifest", number: int) -> None:
    from verify.report.file_lists import checksum_line
    from verify.whole_file import whole_file

    sums = _Sums()
    with whole_file(place) as writing:
        for entry in manifest.entries(number):
            if entry.kind != "file":
                continue
            line = None if entry.digest is None else checksum_line(entry.digest, entry.path)
            if line is not None:
                writing.write(line)
                sums.written += 1
            elif entry.digest is None:
                sums.unread += 1
            else:
                sums.unnamed += 1
    for text in _told(place, number, sums):
        _print(text)


def _told(place: Path, number: int, sums: _Sums) -> "Iterator[Message]":
    """Yield what a list of checksums holds, and what it leaves out."""
    yield counted(
        "{file}: the checksum of {count:,} file of partition {number}.",
        "{file}: the checksums of {count:,} files of partition {number}.",
        sums.written,
        file=str(place),
        number=number,
    )
    if sums.unread:
        yield counted(
            "  {count:,} file was not read whole and is left out; capture with --depth full.",
            "  {count:,} files were not read whole and are left out; capture with --depth full.",
            sums.unread,
        )
    if sums.unnamed:
        yield counted(
            "  {count:,} file has a name that b3sum cannot take and is left out; see the list as"
            " .csv.",
            "  {count:,} files have names that b3sum cannot take and are left out; see the list as"
            " .csv.",
            sums.unnamed,
        )


def _print(text: Message) -> None:
    sys.stderr.write(f"{translated(text)}\n")
