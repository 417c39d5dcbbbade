"""`drivewitness running --against JOB|MANIFEST`: does this machine run from the new drive."""

import time
from typing import TYPE_CHECKING, Annotated

import typer

from verify.cli.job_options import (
    ArchiveOption,
    KeyOption,
    TechnicianOption,
    archive_at,
    key_at,
    technician_named,
)
from verify.cli.options import JsonOption, LangOption
from verify.text.message import say

if TYPE_CHECKING:
    from verify.after.running import Against
    from verify.archive.archive import Archive
    from verify.archive.seal import Key
    from verify.platforms.running_machine import Machine, SeenDrive

EXIT_NO = 3


def running(  # noqa: PLR0913 - the command's own options
    *,
    against: Annotated[
        str,
        typer.Option(
            "--against",
            metavar="JOB|MANIFEST",
            help=say("A job of the archive, or the manifest of the new drive."),
        ),
    ],
    archive: ArchiveOption = None,
    key: KeyOption = None,
    technician: TechnicianOption = None,
    lang: LangOption = None,
    json: JsonOption = False,
) -> int:
    """Check that this machine now runs from the new drive.

    Run it on the machine itself, after the swap. Exit 0: it runs from the new drive and from no
    other; 3: it does not, or it cannot be told. With a job, the result is filed with it.
    """
    from verify.after.running import judge_running, running_document
    from verify.after.running_screen import print_running
    from verify.archive.filing import file_running
    from verify.cli.filing import tell_seal
    from verify.cli.keep_off import keep_off
    from verify.cli.options import language_of
    from verify.cli.output import emit, emit_drawn
    from verify.machine.look import look_at_machine
    from verify.report.json_text import as_json
    from verify.text.language import speaking

    place, shop_key = _archive_of(against, archive), key_at(key)
    held = _manifest(against) if place is None else _job(place, against, shop_key)
    machine = look_at_machine()
    places = () if place is None else (place.root,)
    keep_off(_system_drives(machine), places, working=False)
    here = _system_drive(machine)
    judged = judge_running(machine, here, held)
    document = running_document(judged, machine, here, held, int(time.time()))
    try:
        if place is not None:
            by = technician_named(technician)
            filed = file_running(place, against, document, shop_key, technician=by)
            tell_seal(place, filed)
    finally:  # what was seen is told last, and also where it cannot be filed
        if json:
            emit(as_json(document) + "\n")
        else:
            with speaking(language_of(lang)):
                emit_drawn(lambda console: print_running(console, document, held.source))
    return 0 if judged.fits else EXIT_NO


def _archive_of(against: str, archive: str | None) -> "Archive | None":
    """Return the archive of the job that was named; `None` where a manifest was."""
    from pathlib import Path

    from verify.errors import ArchiveForeign, NothingNamed

    path = Path(against)
    if archive is None and (path.exists() or path.name != against or path.suffix):
        return None
    try:
        return archive_at(archive)
    except ArchiveForeign as error:
        if archive is not None:
            raise
        raise NothingNamed(error.path, against) from error


def _manifest(path: str) -> "Against":
    from verify.after.running import Against
    from verify.cli.capture_request import whole_drive_manifest

    return Against(target=whole_drive_manifest(path).header)


def _job(place: "Archive", job: str, key: "Key | None") -> "Against":
    from verify.after.running import Against
    from verify.archive.entry import SIDE_NAMES
    from verify.archive.proof import job_problems
    from verify.cli.capture_request import whole_drive_manifest

    paths = (str(place.file(job, name)) for name in SIDE_NAMES.values())
    source, target = (whole_drive_manifest(path).header for path in paths)
    problems = job_problems(place, job, key)
    problem = problems[0].message if problems else None
    record = place.job(job).record
    return Against(target, source, job, problem, record.verdict if record else None)


def _system_drives(machine: "Machine") -> list[str]:
    """Return the devices of the drives that the system runs from."""
    seen = (machine.drive(name) for name in machine.system.drives)
    return [drive.path for drive in seen if drive is not None and drive.path is not None]


def _system_drive(machine: "Machine") -> "SeenDrive | None":
    """Return the one drive of the system volume, with what its partitions say of themselves.

    Raises:
        SourceError: it cannot be read.
    """
    from verify.machine.tables import with_filesystems
    from verify.platforms.this import PLATFORM

    system = machine.system
    if system.untold is not None or len(system.drives) != 1:
        return None
    drive = machine.drive(system.drives[0])
    return with_filesystems(drive) if drive and PLATFORM.opens_devices else drive
