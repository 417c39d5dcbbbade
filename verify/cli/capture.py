"""`drivewitness capture DRIVE -o FILE`: one drive into a manifest."""

import sys
from typing import Annotated

import typer

from verify.cli.option_groups import ReadingOptions, ScopeOptions, with_option_groups
from verify.cli.options import JsonOption, ViewOption
from verify.text.language import translated
from verify.text.message import say


@with_option_groups
def capture(  # noqa: PLR0913 - the command's own options
    drive: Annotated[str, typer.Argument(metavar="DRIVE", help=say("A device or an image file."))],
    *,
    output: Annotated[
        str, typer.Option("--output", "-o", metavar="FILE", help=say("The manifest to write."))
    ],
    replace: Annotated[
        bool, typer.Option("--replace", help=say("Replace the manifest if it already exists."))
    ] = False,
    reading: ReadingOptions,
    view: ViewOption = None,
    scope: ScopeOptions,
    resume: Annotated[
        bool,
        typer.Option(
            "--resume",
            help=say(
                "Record progress beside the manifest. If the reading is interrupted, the same"
                " command continues it. Only with --depth full."
            ),
        ),
    ] = False,
    json: JsonOption = False,
) -> int:
    """Read one drive into a manifest."""
    from dataclasses import replace as replace_options

    from verify.capture.side_by_side import capture_one
    from verify.cli.capture_request import capture_options, given_as, new_file, views_of
    from verify.cli.keep_off import keep_off
    from verify.cli.output import emit
    from verify.cli.resuming import resumable
    from verify.errors import UsageError
    from verify.manifest.file import is_manifest
    from verify.report.json_text import document_json
    from verify.report.progress import Bars, short_name

    if is_manifest(drive):
        raise UsageError(
            say("{drive}: is already a manifest.", drive=drive), say("Name the drive or its image.")
        )
    views = views_of(view)
    file = new_file(output, (drive, *views.values()), replace_it=replace)
    options = capture_options(reading, given_as=given_as((drive,), scope))
    if resume and options.depth != "full":
        raise UsageError(
            say("--resume works only with --depth full."), say("Leave it out, or add --depth full.")
        )
    keep_off((drive, *views.values()), (file,), scratch=reading.scratch)
    options = replace_options(options, resume=resume, views=views, replace=replace)
    with Bars(sys.stderr) as bars, resumable(file, resume=resume):
        header = capture_one(drive, file, options, bars.drive(short_name(drive)))
    if json:
        emit(document_json(header) + "\n")
    else:
        told = say("{file}: written, depth {depth}.", file=str(file), depth=header.depth)
        sys.stderr.write(f"{translated(told)}\n")
    return 0
