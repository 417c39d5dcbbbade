"""`drivewitness drives`: the drives attached to this machine."""

from dataclasses import asdict
from typing import Annotated

import typer

from verify.cli.options import JsonOption


def drives(
    *,
    every_sort: Annotated[
        bool,
        typer.Option("--all", help="Also loop devices, sets and logical volumes (on Linux)."),
    ] = False,
    opening: Annotated[
        bool, typer.Option("--tables/--no-tables", help="Read the partition tables, or no drive.")
    ] = True,
    json: JsonOption = False,
) -> int:
    """List the drives attached to this machine: which is which, and which are in use.

    Nothing is written. Without the right to read a drive it is listed all the same, as far as the
    system tells of it, and its table is not.
    """
    from verify.after.running_screen import print_drives
    from verify.cli.output import emit, emit_drawn
    from verify.machine.look import attached_drives
    from verify.report.json_text import as_json

    found = attached_drives(every_sort=every_sort, opening=opening)
    if json:
        rows = [asdict(drive) for drive in found]
        emit(as_json({"schema": "drivewitness.drives/1", "drives": rows}) + "\n")
    else:
        emit_drawn(lambda console: print_drives(console, found))
    return 0
