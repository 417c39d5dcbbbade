"""`drivewitness fit SOURCE --onto SIZE|DRIVE`: will it fit, and what must the layout be."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from verify.cli.options import JsonOption, ScratchOption, SourceArgument
from verify.errors import UsageError
from verify.platforms.this import PLATFORM
from verify.text.language import translated
from verify.text.message import say
from verify.text.words import OLD

if TYPE_CHECKING:
    from verify.fit.fit_document import FitDocument
    from verify.fit.solve import Wishes
    from verify.manifest.file import Manifest

EXIT_NO = 3
_MOST_PERCENT = 90


def fit(  # noqa: PLR0913 - the command's own options
    source: SourceArgument,
    more: Annotated[
        list[str] | None,
        typer.Argument(metavar="SIZE", help=say("More sizes to try, after --what-if.")),
    ] = None,
    *,
    onto: Annotated[
        str,
        typer.Option(
            "--onto",
            metavar="SIZE|DRIVE",
            help=say(
                'The new drive, or its size: "500 GB" as printed on the label, "465 GiB",'
                ' "976773168 sectors" or bytes.'
            ),
        ),
    ],
    shrink: Annotated[
        int | None,
        typer.Option("--shrink", metavar="N", help=say("Number of the partition to shrink.")),
    ] = None,
    grow: Annotated[
        int | None,
        typer.Option(
            "--grow", metavar="N", help=say("Number of the partition to grow into the space left.")
        ),
    ] = None,
    spare: Annotated[
        str,
        typer.Option(
            "--spare",
            metavar="SHARE",
            help=say("Share of the new drive to leave unpartitioned, such as 7%."),
        ),
    ] = "0%",
    free: Annotated[
        str,
        typer.Option(
            "--free",
            metavar="SHARE",
            help=say("Share of the shrunk volume to keep free, such as 15%."),
        ),
    ] = "0%",
    what_if: Annotated[
        list[str] | None,
        typer.Option(
            "--what-if", metavar="SIZE", help=say("Try this size as well. Can be repeated.")
        ),
    ] = None,
    sector_bytes: Annotated[
        int | None,
        typer.Option(
            "--sector-bytes",
            metavar="N",
            help=say("Sector size of the new drive, if known: 512 or 4096."),
        ),
    ] = None,
    output: Annotated[
        str | None,
        typer.Option(
            "--output",
            "-o",
            metavar="FILE",
            help=say("Write the fit to this file, for `check --fit`."),
        ),
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help=say("Replace the file if it already holds a fit."))
    ] = False,
    script: Annotated[
        str | None,
        typer.Option(
            "--script",
            metavar="FILE",
            help=say(
                "Write the layout as a script for you to read and run: with sfdisk (.sfdisk.sh) or"
                " parted (.parted.sh). It partitions only an empty drive of this very size."
            ),
        ),
    ] = None,
    scratch: ScratchOption = None,
    json: JsonOption = False,
) -> int:
    """Work out before cloning whether a drive fits onto another.

    Shows the layout to aim for and what the change will break. Exit 0: it fits; 3: it does not.
    """
    from verify.cli.capture_request import existing_folder
    from verify.cli.judging import working_folder
    from verify.cli.keep_off import keep_off
    from verify.fit.capacity import SECTOR_SIZES
    from verify.fit.solve import Wishes

    wishes = Wishes(
        shrink=shrink, grow=grow, spare=_share("--spare", spare), free=_share("--free", free)
    )
    if sector_bytes is not None and sector_bytes not in SECTOR_SIZES:
        raise UsageError(
            say("--sector-bytes must be 512 or 4096."),
            say("See the drive's data sheet, or leave it out."),
        )
    if more and not what_if:
        raise UsageError(
            say("{size}: belongs to no option.", size=more[0]),
            say("Give further sizes after --what-if."),
        )
    file = None if output is None else _new_fit(output, (source, onto), replace_it=replace)
    sizes = [*(what_if or ()), *(more or ())]
    asked = None if script is None else _new_script(script, (source, onto), file)
    keep_off((source, onto, *sizes), (file, asked), scratch=scratch)
    with working_folder(None if scratch is None else existing_folder(scratch)) as folder:
        manifest = _manifest(source, Path(folder), scratch)
        document = _worked_out(manifest, onto, wishes, sizes, sector_bytes)
    text = None if asked is None else _script(document, manifest, asked)
    _tell(document, file, replace=replace, as_document=json)
    if asked is not None:
        _write_script(asked, text)
    return 0 if document.fits else EXIT_NO


def _share(option: str, text: str) -> float:
    """Return a share, 0 to 0.9, of a text such as `7%`."""
    number = text.strip().removesuffix("%").strip()
    try:
        percent = float(number)
    except ValueError:
        percent = -1.0
    if not 0 <= percent <= _MOST_PERCENT:
        raise UsageError(
            say("{option}: {text} is not a share.", option=option, text=text),
            say("Give 0% to 90%, such as 7%."),
        )
    return percent / 100


def _new_fit(path: str, drives: tuple[str, ...], *, replace_it: bool) -> Path:
    from verify.cli.capture_request import place_for
    from verify.fit.file import is_fit

    place = place_for(path, drives, replace_it=replace_it)
    if place.taken and not is_fit(place.file):
        raise UsageError(
            say("{path}: exists, is not a fit, and is not replaced.", path=path),
            say("Name a new file."),
        )
    return place.file


def _new_script(path: str, drives: tuple[str, ...], other: Path | None) -> Path:
    from verify.cli.capture_request import place_for
    from verify.fit.script import SCRIPT_ENDINGS

    if not path.endswith(SCRIPT_ENDINGS):
        raise UsageError(
            say("{path}: unknown file type.", path=path),
            say("Use one of {known}.", known=", ".join(SCRIPT_ENDINGS)),
        )
    place = place_for(path, drives, replace_it=False)
    if other is not None and PLATFORM.real_path(place.file) == PLATFORM.real_path(other):
        raise UsageError(say("One file is named twice."), say("Name each report and list once."))
    return place.file


def _script(document: "FitDocument", manifest: "Manifest", file: Path) -> str | None:
    """Return the script; `None`: it does not fit, so there is none."""
    from verify.fit.script import SCRIPT_ENDINGS, script_of

    if not document.fits:
        return None
    ending = next(ending for ending in SCRIPT_ENDINGS if file.name.endswith(ending))
    return script_of(document, manifest.header, ending)


def _write_script(file: Path, text: str | None) -> None:
    from verify.whole_file import whole_file

    if text is None:
        told = say("{file}: not written, because it does not fit.", file=str(file))
    else:
        with whole_file(file) as writing:
            writing.write(text.encode("ascii"))
        told = say(
            "{file}: written. Read it, set NEW_DRIVE to the new drive, and run it with sh.",
            file=str(file),
        )
    sys.stderr.write(f"{translated(told)}\n")


def _manifest(source: str, folder: Path, scratch: str | None) -> "Manifest":
    from verify.capture.options import CaptureOptions
    from verify.capture.side_by_side import capture_one
    from verify.cli.capture_request import whole_drive_manifest
    from verify.manifest.file import is_manifest, open_manifest
    from verify.report.progress import Bars, short_name

    if is_manifest(source):
        return whole_drive_manifest(source)
    file = folder / "old.manifest"
    options = CaptureOptions(depth="layout", scratch=Path(scratch) if scratch else None)
    with Bars(sys.stderr) as bars:
        capture_one(source, file, options, bars.drive(f"{translated(OLD)} {short_name(source)}"))
    return open_manifest(file)


def _worked_out(
    manifest: "Manifest", onto: str, wishes: "Wishes", sizes: list[str], sector: int | None
) -> "FitDocument":
    from verify.fit.plan import work_out
    from verify.fit.target import find_target

    header = manifest.header
    target = find_target(onto, header, sector)
    others = [find_target(size, header, sector) for size in sizes]
    return work_out(manifest, target, wishes, others)


def _tell(document: "FitDocument", file: Path | None, *, replace: bool, as_document: bool) -> None:
    from verify.cli.output import emit, emit_drawn
    from verify.fit.file import write_fit
    from verify.report.fit import print_fit
    from verify.report.json_text import as_json

    if file is not None:
        write_fit(file, document, replace=replace)
    if as_document:
        emit(as_json(document.model_dump(mode="json", by_alias=True)) + "\n")
        return
    emit_drawn(lambda console: print_fit(console, document))
    if file is not None:
        told = say("{file}: written. `check --fit` compares the new drive with it.", file=str(file))
        sys.stderr.write(f"{translated(told)}\n")
