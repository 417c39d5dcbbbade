"""`drivewitness identify DRIVE`: which drive of which job is this, and may it be wiped."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from verify.cli.job_options import ArchiveOption, KeyOption, archive_at, key_at
from verify.cli.options import (
    DepthAsThenOption,
    DepthName,
    JsonOption,
    LangOption,
    RetriesOption,
    ScratchOption,
)
from verify.text.message import say

if TYPE_CHECKING:
    from verify.archive.archive import Archive
    from verify.capture.options import CaptureOptions
    from verify.manifest.file import Manifest

EXIT_NO = 3


def identify(  # noqa: PLR0913 - the command's own options
    drive: Annotated[
        str, typer.Argument(metavar="DRIVE", help=say("A device, an image file or a manifest."))
    ],
    *,
    archive: ArchiveOption = None,
    key: KeyOption = None,
    depth: DepthAsThenOption = None,
    scratch: ScratchOption = None,
    retries: RetriesOption = 1,
    lang: LangOption = None,
    json: JsonOption = False,
) -> int:
    """Say which drive of a job this is, and if it may be wiped.

    Exit 0: no reason found to keep it; 3: there is a reason, or it cannot be told. Nothing is
    ever wiped. Without `--depth` the drive is read as deeply as it was for the job.
    """
    from verify.after.identify import changes, identified_document, weigh, which_drive
    from verify.after.identify_screen import answer_for, print_identified
    from verify.archive.entry import SIDE_NAMES
    from verify.capture.options import CaptureOptions
    from verify.cli.capture_request import existing_folder
    from verify.cli.judging import working_folder
    from verify.cli.keep_off import keep_off
    from verify.cli.options import language_of
    from verify.cli.output import emit, emit_drawn
    from verify.manifest.file import open_manifest
    from verify.report.json_text import as_json
    from verify.text.language import speaking

    place, shop_key = _archive_for(drive, archive), key_at(key)
    place_for_work = None if scratch is None else existing_folder(scratch)
    keep_off((drive,), (place.root,), scratch=scratch)
    with working_folder(place_for_work) as folder:
        options = CaptureOptions(depth="layout", scratch=place_for_work, retries=retries)
        now = _read(drive, Path(folder) / "layout.manifest", options)
        with place.index() as index:
            found = which_drive(index, now.header)
        if found.match is not None:
            then = open_manifest(place.file(found.match.job.job, SIDE_NAMES[found.match.side]))
            deeper = _as_then(then, options, depth)
            if deeper.depth != "layout":
                now = _read(drive, Path(folder) / "deeper.manifest", deeper)
            found.changed = changes(then, now)
        weigh(place, found, now.header, shop_key, recorded=_is_recorded(drive))
        document = identified_document(found, now.header)
    if json:
        emit(as_json(document) + "\n")
    else:
        answer = answer_for(found.state, now.header, recorded=_is_recorded(drive))
        with speaking(language_of(lang)):
            emit_drawn(lambda console: print_identified(console, document, answer))
    return EXIT_NO if found.against else 0


def _archive_for(drive: str, archive: str | None) -> "Archive":
    """Return the archive; where there is none, a missing drive is reported first."""
    from verify.errors import ArchiveForeign
    from verify.source.drive import open_drive

    try:
        return archive_at(archive)
    except ArchiveForeign:
        if not _is_recorded(drive):
            open_drive(drive).close()
        raise


def _is_recorded(drive: str) -> bool:
    """Whether a manifest was given, and so no drive is at hand."""
    from verify.manifest.file import is_manifest

    return is_manifest(drive)


def _as_then(
    then: "Manifest", options: "CaptureOptions", depth: DepthName | None
) -> "CaptureOptions":
    """Return the options by which a drive is read and drawn as it was before."""
    from dataclasses import replace

    header = then.header
    wanted = header.depth if depth is None else depth.value
    made = header.capture
    return replace(options, depth=wanted, seed=made.seed, confidence=made.confidence)


def _read(drive: str, file: Path, options: "CaptureOptions") -> "Manifest":
    """Read a drive; a manifest is taken as it is."""
    from verify.capture.side_by_side import capture_one
    from verify.cli.capture_request import whole_drive_manifest
    from verify.manifest.file import open_manifest
    from verify.report.progress import Bars, short_name

    if _is_recorded(drive):
        return whole_drive_manifest(drive)
    with Bars(sys.stderr) as bars:
        capture_one(drive, file, options, bars.drive(short_name(drive)))
    return open_manifest(file)
