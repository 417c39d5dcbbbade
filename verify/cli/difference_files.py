"""Where a list of all differences goes: checked before anything is read, written row by row."""

import os
import shlex
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Annotated

import typer

from verify.errors import UsageError
from verify.platforms.this import PLATFORM
from verify.text.language import translated
from verify.text.message import counted, say

if TYPE_CHECKING:
    from verify.rules.comparison_document import DifferencesRow
    from verify.rules.difference_rows import DifferenceRow

BY_LINES, BY_NULS = ".paths", ".paths0"
LIST_ENDINGS = (".csv", ".jsonl", BY_LINES, BY_NULS)

Rows = Callable[[], "Iterable[DifferenceRow]"]

DifferencesOption = Annotated[
    list[str] | None,
    typer.Option(
        "--differences",
        metavar="FILE",
        help=say(
            "List every file and folder that differs (.csv or .jsonl), or what to copy from the old"
            " drive, one list for each partition (.paths: one path a line; .paths0: ended by NUL)."
            " Needs --names. Can be repeated."
        ),
    ),
]
ListNamesOption = Annotated[
    bool,
    typer.Option(
        "--names", help=say("Include the customer's file names, which --differences needs.")
    ),
]


@dataclass(frozen=True)
class DifferenceFiles:
    """The files that lists of differences are to be written to; perhaps none."""

    files: tuple[Path, ...]

    def write(self, rows: Rows, counts: "Iterable[DifferencesRow]") -> None:
        """Write each list whole, and say on standard error what it holds.

        `rows`: makes the rows, for each list anew; `counts`: how many there are, by partition.

        Raises:
            OutputError: one of them cannot be written; those before it are there.
            ManifestAltered: a row of a manifest is damaged.
        """
        kept = tuple(counts)
        for file in self.files:
            if file.suffix in {BY_LINES, BY_NULS}:
                _write_paths(file, rows(), kept)
            else:
                _write_list(file, rows())


def difference_files(
    paths: list[str] | None,
    inputs: tuple[str, ...],
    *,
    names: bool,
    others: Iterable[Path] = (),
) -> DifferenceFiles:
    """Return where lists of differences go, once it is clear that they can go there.

    `names`: whether the shop's edition was asked for; `others`: what else is going to be written.

    Raises:
        UsageError: it is the customer's edition, a format is unknown, or a file may not be written.
    """
    from verify.cli.capture_request import place_for

    if paths and not names:
        raise UsageError(
            say("--differences lists the customer's file names, which the report leaves out."),
            say("Add --names."),
        )
    files = [Path(path) for path in paths or ()]
    for file in files:
        if file.suffix not in LIST_ENDINGS:
            raise UsageError(
                say("{path}: unknown file type.", path=str(file)),
                say("Use one of {known}.", known=", ".join(LIST_ENDINGS)),
            )
        for there in _standing(file):
            raise UsageError(
                say("{file}: already exists.", file=str(there)),
                say("Name a new file; a list never replaces one."),
            )
        place_for(str(file), inputs, replace_it=False)
    places = [PLATFORM.real_path(path) for path in (*files, *others)]
    if len(set(places)) < len(places):
        raise UsageError(say("One file is named twice."), say("Name each report and list once."))
    return DifferenceFiles(tuple(files))


def _standing(file: Path) -> Iterator[Path]:
    """Yield what stands where a list would be written."""
    if file.suffix not in {BY_LINES, BY_NULS}:
        if os.path.lexists(file):
            yield file
    elif file.parent.is_dir():
        start = f"{file.stem}-partition-"
        for path in file.parent.iterdir():
            if path.name.startswith(start) and path.suffix in {BY_LINES, BY_NULS}:
                yield path


def _write_list(file: Path, rows: "Iterable[DifferenceRow]") -> None:
    from verify.report.difference_lists import csv_lines, json_lines
    from verify.whole_file import whole_file

    count = 0

    def passing() -> "Iterator[DifferenceRow]":
        nonlocal count
        for row in rows:
            count += 1
            yield row

    with whole_file(file) as writing:
        for line in (csv_lines if file.suffix == ".csv" else json_lines)(passing()):
            writing.write(line)
    _print(
        counted(
            "{file}: {count:,} file or folder differs.",
            "{file}: {count:,} files and folders differ.",
            count,
            file=str(file),
        )
    )


def _write_paths(
    file: Path, rows: "Iterable[DifferenceRow]", counts: "tuple[DifferencesRow, ...]"
) -> None:
    """Write a list for each partition from which something is to be copied.

    A list by lines cannot hold a name with a line break: it is then written by NULs.
    """
    from verify.report.difference_lists import path_in_list
    from verify.whole_file import whole_file

    with ExitStack() as stack:
        lists: dict[int, tuple[IO[bytes], bytes]] = {}
        told: list[str] = []
        for row in counts:
            if row.source is None or not row.to_copy:
                continue
            by_nuls = file.suffix == BY_NULS or bool(row.with_line_breaks)
            ending = BY_NULS if by_nuls else BY_LINES
            place = file.with_name(f"{file.stem}-partition-{row.source}{ending}")
            writing = stack.enter_context(whole_file(place))
            lists[row.source] = writing, b"\0" if by_nuls else b"\n"
            told += _what_to_do(place, row, asked=file.suffix)
        written = 0
        for item in rows:
            if item.copy and item.source_partition in lists:
                writing, end = lists[item.source_partition]
                writing.write(path_in_list(item) + end)
                written += 1
        if written != sum(row.to_copy for row in counts):
            # NOTE: half a list would be taken for a whole one; nothing of it gets its name.
            raise RuntimeError(f"{file}: {written} paths were listed, and another number counted")
    if not told:
        _print(say("{file}: nothing needs to be copied, so no list was written.", file=str(file)))
    for line in told:
        _print(line)


def _what_to_do(place: Path, row: "DifferencesRow", *, asked: str) -> "Iterator[str]":
    """Yield what a list holds, and the command that copies it."""
    from verify.report.harmless import harmless

    name = harmless(str(place))
    yield counted(
        "{file}: {count:,} path to copy from partition {number} of the old drive.",
        "{file}: {count:,} paths to copy from partition {number} of the old drive.",
        row.to_copy,
        file=name,
        number=row.source or 0,
    )
    if asked == BY_LINES and row.with_line_breaks:
        yield counted(
            "  {count:,} name has a line break, so paths end with NUL, not with a line break.",
            "  {count:,} names have a line break, so paths end with NUL, not with a line break.",
            row.with_line_breaks,
        )
    mark = "--from0 " if place.suffix == BY_NULS else ""
    yield say("  Mount that partition of both drives, the old one's read-only; then:")
    yield f"  rsync --archive --ignore-times {mark}--files-from={shlex.quote(name)} OLD/ NEW/"
    yield say("  Check again afterwards.")


def _print(text: str) -> None:
    sys.stderr.write(f"{translated(text)}\n")
