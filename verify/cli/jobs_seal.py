"""`drivewitness jobs key|verify|delete|started`: what has to do with seals."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from verify.cli.asking import asked_for
from verify.cli.job_options import (
    ArchiveOption,
    AskOption,
    JobArgument,
    KeyOption,
    NotesOption,
    TechnicianOption,
    archive_at,
    key_at,
    technician_named,
)
from verify.cli.options import JsonOption
from verify.errors import OutputError
from verify.text.language import translated
from verify.text.message import say
from verify.text.system_words import system_words

EXIT_NO = 3


def make_shop_key(
    *,
    key: Annotated[
        str | None,
        typer.Option(
            "--key",
            metavar="FILE",
            help=say(
                "The new file for the key.  [default: DRIVEWITNESS_KEY, else the settings file,"
                " else this user's key file]"
            ),
        ),
    ] = None,
) -> int:
    """Make the shop's key, with which new jobs are sealed.

    The key is a new file that only its owner may read; it is never printed. Keep a copy of it in
    another place than copies of the archive.
    """
    from verify.archive.default_paths import default_key
    from verify.archive.seal import make_key

    file = default_key() if key is None else Path(key)
    told = say(
        "{file}: created. The key's fingerprint is {fingerprint}.",
        file=str(file),
        fingerprint=make_key(file).fingerprint,
    )
    sys.stderr.write(f"{translated(told)}\n")
    return 0


def verify_jobs(
    *,
    archive: ArchiveOption = None,
    key: KeyOption = None,
    last: Annotated[
        str | None,
        typer.Option(
            "--last",
            metavar="SEAL",
            help=say(
                "A seal that you keep outside the archive; the archive must still contain it."
            ),
        ),
    ] = None,
    json: JsonOption = False,
) -> int:
    """Check every file against its seal, and the chain of seals.

    Exit 0: everything is as it was sealed; 3: it is not, and each problem is named.
    """
    from verify.archive.archive_screen import print_proof
    from verify.archive.proof import proof_document, prove
    from verify.cli.output import emit, emit_drawn
    from verify.report.json_text import as_json

    place = archive_at(archive)
    try:
        proof = prove(place, key_at(key), known=None if last is None else last.strip().lower())
    except OSError as error:
        raise OutputError(str(place.root), system_words(error)) from error
    if json:
        emit(as_json(proof_document(proof)) + "\n")
    else:
        emit_drawn(lambda console: print_proof(console, proof))
    return 0 if proof.whole else EXIT_NO


def delete_job(
    job: JobArgument,
    *,
    reason: Annotated[
        str,
        typer.Option("--reason", metavar="TEXT", help=say("The reason; it stays in the archive.")),
    ],
    archive: ArchiveOption = None,
    technician: TechnicianOption = None,
    key: KeyOption = None,
) -> int:
    """Remove the files of a job, for instance when a customer asks.

    Its seal and the reason stay in the archive.
    """
    from verify.archive.filing import delete_job as delete

    place = archive_at(archive)
    delete(place, job, key_at(key), technician=technician_named(technician), reason=reason)
    told = say("{job}: the files were removed; the seal and the reason stay.", job=job)
    sys.stderr.write(f"{translated(told)}\n")
    return 0


def job_started(  # noqa: PLR0913 - the command's own options
    job: JobArgument,
    *,
    archive: ArchiveOption = None,
    technician: TechnicianOption = None,
    notes: NotesOption = None,
    key: KeyOption = None,
    ask: AskOption = False,
) -> int:
    """Record that the machine started from the new drive.

    Somebody must have seen it start while the old drive was not attached.
    """
    from verify.archive.filing import file_event
    from verify.cli.filing import tell_seal

    place, shop_key = archive_at(archive), key_at(key)
    place.record(job)
    by = asked_for("technician", technician_named(technician), ask=ask)
    words = asked_for("notes", notes, ask=ask)
    seal = file_event(place, job, "started", shop_key, technician=by, reason=words)
    tell_seal(place, seal)
    return 0
