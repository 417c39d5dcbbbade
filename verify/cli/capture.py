"""`drivewitness capture DRIVE -o FILE`: one drive into a manifest."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from verify.cli.options import (
    ConfidenceOption,
    DepthOption,
    JsonOption,
    OnePartitionOption,
    RetriesOption,
    SampleBlocksOption,
    SampleFilesOption,
    ScratchOption,
    SeedOption,
    ViewOption,
    WholeDriveOption,
)


def capture(  # noqa: PLR0913 - the command's own options
    drive: Annotated[str, typer.Argument(metavar="DRIVE", help="A device or an image file.")],
    *,
    output: Annotated[
        str, typer.Option("--output", "-o", metavar="FILE", help="The manifest to write.")
    ],
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace the file if it is there already.")
    ] = False,
    depth: DepthOption = None,
    seed: SeedOption = None,
    confidence: ConfidenceOption = None,
    sample_files: SampleFilesOption = None,
    sample_blocks: SampleBlocksOption = None,
    scratch: ScratchOption = None,
    retries: RetriesOption = 1,
    view: ViewOption = None,
    one_partition: OnePartitionOption = False,
    whole_drive: WholeDriveOption = False,
    resume: Annotated[
        bool,
        typer.Option(
            "--resume",
            help="Note beside the manifest what was read; the same command, given again after it"
            " was cut off, goes on from there. With --depth full.",
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
    from verify.errors import UsageError
    from verify.manifest.file import is_manifest
    from verify.report.json_text import document_json
    from verify.report.progress import Bars

    if is_manifest(drive):
        raise UsageError(f"{drive}: is a manifest already.", "Give the drive or its image.")
    views = views_of(view)
    file = new_file(output, (drive, *views.values()), replace_it=replace)
    options = capture_options(
        depth=depth,
        seed=seed,
        confidence=confidence,
        sample_files=sample_files,
        sample_blocks=sample_blocks,
        scratch=scratch,
        retries=retries,
        given_as=given_as((drive,), one_partition=one_partition, whole_drive=whole_drive),
    )
    if resume and options.depth != "full":
        raise UsageError("--resume goes with --depth full.", "Less is soon read again.")
    keep_off((drive, *views.values()), (file,), scratch=scratch)
    options = replace_options(options, resume=resume, views=views, replace=replace)
    with Bars(sys.stderr) as bars:
        header = capture_one(drive, file, options, bars.drive(Path(drive).name))
    if json:
        emit(document_json(header) + "\n")
    else:
        sys.stderr.write(f"{file}: written, depth {header.depth}.\n")
    return 0
