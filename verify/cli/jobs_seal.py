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
)
from verify.cli.options import JsonOption
from verify.errors import OutputError

EXIT_NO = 3


def make_shop_key(
    *,
    key: Annotated[
        str | None,
        typer.Option("--key", metavar="FILE", help="A new file.  [default: this user's]"),
    ] = None,
) -> int:
    """Make the shop's key: a new file that its owner alone may read. It is never printed.

    Jobs filed from then on are sealed with it. Keep a copy where the archive's copies are not.
    """
    from verify.archive.default_paths import default_key
    from verify.archive.seal import make_key

    file = default_key() if key is None else Path(key)
    sys.stderr.write(f"{file}: made; its fingerprint is {make_key(file).fingerprint}.\n")
    return 0


def verify_jobs(
    *,
    archive: ArchiveOption = None,
    key: KeyOption = None,
    last: Annotated[
        str | None,
        typer.Option("--last", metavar="SEAL", help="A seal kept outside; it has to be there."),
    ] = None,
    json: JsonOption = False,
) -> int:
    """Hold every file against its seal and every seal against the chain.

    Exit 0: all is as it was sealed; 3: it is not, and what is amiss is named.
    """
    from verify.archive.archive_screen import print_proof
    from verify.archive.proof import proof_document, prove
    from verify.cli.output import emit, emit_drawn
    from verify.report.json_text import as_json

    place = archive_at(archive)
    try:
        proof = prove(place, key_at(key), known=None if last is None else last.strip().lower())
    except OSError as error:
        raise OutputError(str(place.root), error.strerror or str(error)) from error
    if json:
        emit(as_json(proof_document(proof)) + "\n")
    else:
        emit_drawn(lambda console: print_proof(console, proof))
    return 0 if proof.whole else EXIT_NO


def delete_job(
    job: JobArgument,
    *,
    reason: Annotated[
        str, typer.Option("--reason", metavar="TEXT", help="Why; it stays in the archive.")
    ],
    archive: ArchiveOption = None,
    technician: TechnicianOption = None,
    key: KeyOption = None,
) -> int:
    """Remove a customer's job lawfully: its files go, a sealed word about it stays."""
    from verify.archive.filing import delete_job as delete

    place = archive_at(archive)
    delete(place, job, key_at(key), technician=technician, reason=reason)
    sys.stderr.write(f"{job}: its files were removed; its seal and why it was removed stay.\n")
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
    """File that a person saw the machine start from the new drive, the old one not attached."""
    from verify.archive.filing import file_event
    from verify.cli.filing import tell_seal

    place, shop_key = archive_at(archive), key_at(key)
    place.record(job)
    by = asked_for("technician", technician, ask=ask)
    words = asked_for("notes", notes, ask=ask)
    seal = file_event(place, job, "started", shop_key, technician=by, reason=words)
    tell_seal(place, seal)
    return 0
