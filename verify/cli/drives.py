"""`drivewitness drives`: the drives attached to this machine."""

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from verify.cli.job_options import ArchiveOption, archive_at
from verify.cli.options import JsonOption
from verify.text.message import say

if TYPE_CHECKING:
    from verify.archive.archive import Archive


def drives(
    *,
    every_sort: Annotated[
        bool,
        typer.Option(
            "--all", help=say("Also list loop devices, RAID sets and logical volumes (Linux).")
        ),
    ] = False,
    opening: Annotated[
        bool,
        typer.Option(
            "--tables/--no-tables",
            help=say("Read partition tables and health, or open no drive at all."),
        ),
    ] = True,
    archive: ArchiveOption = None,
    json: JsonOption = False,
) -> int:
    """List the drives attached to this machine.

    Shows which is which and which are in use; nothing is written. A drive that you may not read
    is listed with what the system reports, without its partition table. Drives of jobs in the
    archive are marked, and so are drives with the same disk identifier. Their health is asked
    with smartctl, where that is installed.
    """
    from verify.after.known_drives import known_drive, twins
    from verify.after.running_screen import print_drives
    from verify.cli.keep_off import tell_untried
    from verify.cli.output import emit, emit_drawn
    from verify.machine.look import attached_drives
    from verify.report.json_text import as_json

    place = _archive(archive)
    found = attached_drives(every_sort=every_sort, opening=opening, asking=opening)
    tell_untried(drive.path for drive in found)
    told = {drive.name: known_drive(place, drive) if place else None for drive in found}
    known = {name: drive for name, drive in told.items() if drive is not None}
    if json:
        rows = [
            asdict(drive) | {"known": asdict(known[drive.name]) if drive.name in known else None}
            for drive in found
        ]
        same = [
            {"disk_id": disk_id, "drives": list(paths)} for disk_id, paths in twins(found).items()
        ]
        document = {"schema": "drivewitness.drives/1", "drives": rows, "same_disk_id": same}
        emit(as_json(document) + "\n")
    else:
        emit_drawn(lambda console: print_drives(console, found, known))
    return 0


def _archive(named: str | None) -> "Archive | None":
    """Return the archive that was named, or the user's own where there is one."""
    from verify.archive.default_paths import default_archive

    return archive_at(named) if named is not None or default_archive().is_dir() else None
