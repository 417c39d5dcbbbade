"""`drivewitness show MANIFEST|DRIVE`: what is on it, for people."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from verify.cli.list_files import ListNamesOption, ListOption, lists_of
from verify.cli.options import JsonOption
from verify.text.message import say

if TYPE_CHECKING:
    from verify.manifest.header import Header


def show(
    drive: Annotated[
        str, typer.Argument(metavar="DRIVE", help=say("A device, an image file or a manifest."))
    ],
    *,
    json: JsonOption = False,
    files: ListOption = None,
    names: ListNamesOption = False,
) -> int:
    """Show what is on a drive or in a manifest."""
    from verify.cli.output import emit, emit_drawn

    lists = lists_of(files, drive, names=names)
    header = _header(drive) if lists is None else lists.manifest.header
    if json:
        from verify.report.json_text import document_json

        emit(document_json(header) + "\n")
    else:
        from verify.report.drive import print_drive

        emit_drawn(lambda console: print_drive(console, header))
    if lists is not None:
        lists.write()
    return 0


def _header(drive: str) -> "Header":
    from verify.capture.options import CaptureOptions
    from verify.capture.side_by_side import capture_one
    from verify.cli.judging import working_folder
    from verify.cli.keep_off import keep_off
    from verify.manifest.file import is_manifest, open_manifest
    from verify.report.progress import Bars, short_name

    if is_manifest(drive):
        return open_manifest(drive).header
    keep_off((drive,))
    with working_folder(None) as folder, Bars(sys.stderr) as bars:
        file = Path(folder) / "shown.manifest"
        options = CaptureOptions(depth="layout", looking=True)
        capture_one(drive, file, options, bars.drive(short_name(drive)))
        return open_manifest(file).header
