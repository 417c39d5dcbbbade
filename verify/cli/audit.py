"""`drivewitness audit …`: jobs drawn from the archive, looked at again, and what that says."""

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from verify.cli.audit_list import AuditListOption
from verify.cli.job_options import ArchiveOption, KeyOption, archive_at, key_at
from verify.cli.jobs import SinceOption, UntilOption, first_second, last_second
from verify.cli.options import JsonOption
from verify.text.language import translated
from verify.text.message import counted, say


class ByName(StrEnum):
    """What strata are made from."""

    TECHNICIAN = "technician"
    MODEL = "model"
    ADAPTER = "adapter"
    MONTH = "month"


PlanArgument = Annotated[
    str, typer.Argument(metavar="PLAN", help=say("The plan that `audit plan -o` wrote."))
]


def plan(  # noqa: PLR0913 - the command's own options
    *,
    archive: ArchiveOption = None,
    confidence: Annotated[
        float,
        typer.Option("--confidence", metavar="SHARE", help=say("Confidence of what follows.")),
    ] = 0.95,
    tolerable: Annotated[
        float,
        typer.Option(
            "--tolerable",
            metavar="SHARE",
            help=say("The largest share of unsound jobs that you accept, such as 0.05."),
        ),
    ] = 0.05,
    letters: Annotated[
        bool,
        typer.Option(
            "--letters",
            help=say(
                "Take the number of jobs to draw from the code letters of MIL-STD-105E instead."
            ),
        ),
    ] = False,
    by: Annotated[
        ByName | None,
        typer.Option("--by", help=say("Group the jobs by this, and draw from each group.")),
    ] = None,
    seed: Annotated[
        str | None,
        typer.Option(
            "--seed",
            metavar="TEXT",
            help=say(
                "Start value of the random draw; the same value draws the same jobs.  [default: a"
                " new one]"
            ),
        ),
    ] = None,
    since: SinceOption = None,
    until: UntilOption = None,
    output: Annotated[
        str | None,
        typer.Option("--output", "-o", metavar="FILE", help=say("The new file for the plan.")),
    ] = None,
    json: JsonOption = False,
) -> int:
    """Work out how many jobs to draw, and draw them.

    If none of the drawn jobs is unsound, fewer than the tolerable share of all jobs are unsound,
    at the confidence given.
    """
    import secrets

    from verify.archive.index import Wanted
    from verify.audit.audit_file import write_document
    from verify.audit.audit_screen import print_plan
    from verify.audit.spot_audit import plan_audit
    from verify.cli.capture_request import place_for
    from verify.cli.output import emit, emit_drawn
    from verify.report.json_text import as_json

    if output is not None:
        place_for(output, (), replace_it=False)
    wanted = Wanted(since=first_second(since), until=last_second(until))
    with archive_at(archive).index() as index:
        jobs, seals = index.to_draw_from(wanted), index.seals()
    drawn = plan_audit(
        jobs,
        seed=secrets.token_hex(8) if seed is None else seed,
        confidence=confidence,
        tolerable=tolerable,
        rule="letter" if letters else "exact",
        by=None if by is None else by.value,
        seals=seals,
    )
    if output is not None:
        write_document(Path(output), drawn)
    if json:
        emit(as_json(drawn.model_dump(mode="json", by_alias=True)) + "\n")
    else:
        emit_drawn(lambda console: print_plan(console, drawn))
    return 0


def run(  # noqa: PLR0913 - the command's own options
    plan: PlanArgument,
    *,
    output: Annotated[
        str,
        typer.Option("--output", "-o", metavar="FILE", help=say("The new file for the result.")),
    ],
    archive: ArchiveOption = None,
    key: KeyOption = None,
    drive: Annotated[
        list[str] | None,
        typer.Option(
            "--drive",
            metavar="JOB=DEVICE",
            help=say("Read this drive of a drawn job again. Can be repeated."),
        ),
    ] = None,
    names: Annotated[
        bool,
        typer.Option("--names", help=say("Store the names of damaged files in the result.")),
    ] = False,
    differences: AuditListOption = None,
) -> int:
    """Check the drawn jobs again: seals, manifests, drives at hand.

    Manifests are judged by today's rules. A drive given with `--drive` is read and compared with
    its record: other contents under the same times mean damage, later times mean that it was
    used.
    """
    import time
    from dataclasses import replace

    from verify.audit.audit_file import read_document, write_document
    from verify.audit.spot_audit import Plan, Result, look_again
    from verify.cli.audit_list import audit_list, place_of_list
    from verify.cli.capture_request import place_for
    from verify.cli.keep_off import keep_off
    from verify.cli.reread import drives_at_hand, reading_again
    from verify.report.audit import drive_words
    from verify.report.harmless import harmless
    from verify.version import __version__

    file = place_for(output, (plan,), replace_it=False).file
    listed = place_of_list(differences, (plan,), file, names=names)
    drawn = read_document(Path(plan), Plan)
    place, shop_key = archive_at(archive), key_at(key)
    keep_off(drives_at_hand(drive or []), (file, place.root, listed))
    again = reading_again(place, drawn, drive or [], names=names)
    with audit_list(listed) as write:
        reread = replace(again, listed=write).of
        looked = tuple(look_again(place, drawn.jobs, shop_key, reread))
    result = Result(at=int(time.time()), tool_version=__version__, plan=drawn, jobs=looked)
    write_document(file, result)
    unsound = sum(job.unsound is not None for job in looked)
    for job in looked:
        if job.drive is not None:
            said = {"job": job.job, **job.drive.model_dump(), "reason": job.drive.reason}
            line = say(
                "{job}: {path}: {what}.", job=job.job, path=job.drive.path, what=drive_words(said)
            )
            sys.stderr.write(f"{harmless(translated(line), 900)}\n")
    told = counted(
        "{file}: {count} job checked, {failed} failed.",
        "{file}: {count} jobs checked, {failed} failed.",
        len(looked),
        file=str(file),
        failed=unsound,
    )
    sys.stderr.write(f"{translated(told)}\n")
    return 0


def report(
    result: Annotated[
        str, typer.Argument(metavar="RESULT", help=say("The result that `audit run -o` wrote."))
    ],
    *,
    output: Annotated[
        str | None,
        typer.Option(
            "--output", "-o", metavar="FILE", help=say("Also write the report as a new HTML file.")
        ),
    ] = None,
    json: JsonOption = False,
) -> int:
    """Report what was drawn and found, and what follows for all jobs."""
    from verify.audit.audit_file import read_document
    from verify.audit.audit_results import audit_document
    from verify.audit.audit_screen import print_audit
    from verify.audit.spot_audit import Result
    from verify.cli.capture_request import place_for
    from verify.cli.output import emit, emit_drawn
    from verify.report.audit import audit_html
    from verify.report.json_text import as_json
    from verify.whole_file import whole_file

    if output is not None:
        place_for(output, (result,), replace_it=False)
    document = audit_document(read_document(Path(result), Result))
    if output is not None:
        with whole_file(Path(output)) as file:
            file.write(audit_html(document).encode())
    if json:
        emit(as_json(document) + "\n")
    else:
        emit_drawn(lambda console: print_audit(console, document))
    return 0
