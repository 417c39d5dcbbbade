"""`drivewitness jobs …`: the archive, listed, shown, added to, judged again, handed on."""

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from verify.cli.difference_files import DifferencesOption, ListNamesOption
from verify.cli.filing import filing_for, folder_for
from verify.cli.job_options import (
    ArchiveOption,
    JobArgument,
    archive_at,
    place_of_archive,
)
from verify.cli.option_groups import FilingOptions, ScopeOptions, with_option_groups
from verify.cli.options import (
    EXIT_OF_VERDICT,
    JsonOption,
    SourceArgument,
    TargetArgument,
)
from verify.errors import UsageError
from verify.text.language import translated
from verify.text.message import counted, say


class VerdictName(StrEnum):
    """What a job was judged to be."""

    SOUND = "sound"
    REVIEW = "review"
    STOP = "stop"


class SortName(StrEnum):
    """What a list of jobs can be sorted by."""

    FILED = "filed"
    JOB = "job"
    VERDICT = "verdict"
    TECHNICIAN = "technician"
    CUSTOMER = "customer"


ByTechnicianOption = Annotated[
    str | None,
    typer.Option("--technician", metavar="NAME", help=say("Only jobs of this technician.")),
]
ByCustomerOption = Annotated[
    str | None,
    typer.Option("--customer", metavar="ALIAS", help=say("Only jobs of this customer.")),
]
SinceOption = Annotated[
    str | None,
    typer.Option(
        "--since", metavar="YYYY-MM-DD", help=say("Only jobs filed on this day (UTC) or later.")
    ),
]
UntilOption = Annotated[
    str | None,
    typer.Option(
        "--until", metavar="YYYY-MM-DD", help=say("Only jobs filed on this day (UTC) or earlier.")
    ),
]


def list_jobs(  # noqa: PLR0913 - the command's own options
    *,
    archive: ArchiveOption = None,
    text: Annotated[
        str | None,
        typer.Option(
            "--text",
            metavar="TEXT",
            help=say(
                "Search for this text in names, notes, models, serial numbers and identifiers."
            ),
        ),
    ] = None,
    verdict: Annotated[
        VerdictName | None, typer.Option("--verdict", help=say("Only jobs with this verdict."))
    ] = None,
    technician: ByTechnicianOption = None,
    customer: ByCustomerOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    sort: Annotated[
        SortName, typer.Option("--sort", help=say("What to sort by."))
    ] = SortName.FILED,
    reverse: Annotated[bool, typer.Option("--reverse", help=say("Reverse the order."))] = False,
    limit: Annotated[
        int | None,
        typer.Option("--limit", metavar="N", min=0, help=say("Show at most this many jobs.")),
    ] = None,
    json: JsonOption = False,
) -> int:
    """List the jobs of an archive."""
    from verify.archive.index import Wanted
    from verify.archive.job_lines import job_lines
    from verify.cli.output import emit, output_width

    wanted = Wanted(
        text=text,
        verdict=None if verdict is None else verdict.value,
        technician=technician,
        customer=customer,
        since=first_second(since),
        until=last_second(until),
        sort=sort.value,
        descending=reverse,
        limit=limit,
    )
    with archive_at(archive).index() as index:
        if json:
            records = ",\n".join(index.records(wanted))
            text = f'{{"schema": "drivewitness.jobs/1", "jobs": [\n{records}\n]}}\n'
        else:
            text = "".join(job_lines(index.lines(wanted), output_width()))
        lost = index.unreadable()
    emit(text)
    if lost:
        sys.stderr.write(
            translated(
                counted(
                    "{count} entry of the archive cannot be read: {first}. See `jobs verify`.",
                    "{count} entries of the archive cannot be read, such as {first}. See `jobs"
                    " verify`.",
                    len(lost),
                    first=lost[0],
                )
            )
            + "\n"
        )
    return 0


def show_job(job: JobArgument, *, archive: ArchiveOption = None, json: JsonOption = False) -> int:
    """Show one job: its record, files, seal, and what was filed later."""
    from verify.archive.archive_screen import job_document, print_job, with_spoken_summary
    from verify.cli.output import emit, emit_drawn
    from verify.report.json_text import as_json

    document = job_document(archive_at(archive), job)
    if json:
        emit(as_json(document) + "\n")
    else:
        document = with_spoken_summary(archive_at(archive), document)
        emit_drawn(lambda console: print_job(console, document))
    return 0


@with_option_groups
def add_job(  # noqa: PLR0913 - the command's own options
    job: JobArgument,
    source: SourceArgument,
    target: TargetArgument,
    *,
    scope: ScopeOptions,
    filing: FilingOptions,
    json: JsonOption = False,
) -> int:
    """File a job from two manifests.

    A drive in place of a manifest is read first.
    """
    from dataclasses import replace as with_changes

    from verify.cli.capture_request import given_as, like_the_other_side
    from verify.cli.judging import judged, tell
    from verify.cli.keep_off import keep_off

    sides = source, target
    said = given_as(sides, scope)
    options = with_changes(like_the_other_side(sides), given_as=said)
    keep_off(sides, (place_of_archive(filing.archive),))
    to_file = filing_for(job, filing)
    with (
        folder_for(to_file, None) as folder,
        judged(source, target, options, folder) as found,
    ):
        tell(found, as_document=json)
        if to_file is not None and folder is not None:
            to_file.file(found, folder)
    return EXIT_OF_VERDICT[found.comparison.verdict]


def judge_job(
    job: JobArgument,
    *,
    archive: ArchiveOption = None,
    differences: DifferencesOption = None,
    names: ListNamesOption = False,
    json: JsonOption = False,
) -> int:
    """Judge a job again from its manifests, by today's rules.

    No drive is needed.
    """
    from verify.archive.entry import FIT_NAME, SIDE_NAMES
    from verify.archive.proof import job_problems
    from verify.capture.options import CaptureOptions
    from verify.cli.difference_files import difference_files
    from verify.cli.judging import declared_by, judged, tell
    from verify.report.words import LEVELS

    lists = difference_files(differences, (), names=names)
    place = archive_at(archive)
    record = place.record(job)
    for problem in job_problems(place, job, None):
        if problem.what != "unproven":  # whether a keyed seal is the shop's own, `jobs verify` says
            changed = say(
                "Job {job} is not confirmed by its seal: {problem}",
                job=job,
                problem=problem.message,
            )
            sys.stderr.write(f"{translated(changed)}\n")
    source, target = (str(place.file(job, name)) for name in SIDE_NAMES.values())
    fit = place.jobs / job / FIT_NAME
    declared = declared_by(str(fit) if fit.exists() else None)
    with judged(source, target, CaptureOptions(), declared=declared) as found:
        try:
            lists.write(found.differences, found.comparison.difference_counts)
        finally:
            tell(found, as_document=json)
    verdict = found.comparison.verdict
    if verdict != record.verdict:
        told = say(
            "{job}: filed as {then} by version {version}, today {now}.",
            job=job,
            then=LEVELS.get(record.verdict, record.verdict),
            version=record.tool_version,
            now=LEVELS[verdict],
        )
        sys.stderr.write(f"{translated(told)}\n")
    return EXIT_OF_VERDICT[verdict]


def export_jobs(
    *,
    output: Annotated[
        str | None,
        typer.Option(
            "--output",
            "-o",
            metavar="FILE",
            help=say("Write this new file: JSON lines, one job per line."),
        ),
    ] = None,
    parquet: Annotated[
        str | None,
        typer.Option(
            "--parquet", metavar="DIR", help=say("Write three Parquet files into this new folder.")
        ),
    ] = None,
    archive: ArchiveOption = None,
    names: Annotated[
        bool, typer.Option("--names", help=say("Include the customer's file names and the notes."))
    ] = False,
) -> int:
    """Write all jobs, findings and outcomes for another program.

    As JSON lines, as Parquet (`pip install 'drivewitness[parquet]'`), or both. File names are
    replaced by digests unless `--names` is given.
    """
    from verify.archive.export import export_lines
    from verify.archive.parquet import export_parquet, parquet_library
    from verify.cli.capture_request import new_folder, place_for
    from verify.whole_file import whole_file

    if output is None and parquet is None:
        raise UsageError(
            say("The file to write is missing."), say("Give -o FILE, --parquet DIR, or both.")
        )
    place = archive_at(archive)
    if output is not None:
        place_for(output, (), replace_it=False)
    if parquet is not None:
        parquet_library()
        count = export_parquet(place, new_folder(parquet), names=names)
        _tell_written(parquet, count)
    if output is not None:
        lines = 0
        with whole_file(Path(output)) as writing:
            for line in export_lines(place, names=names):
                writing.write(line)
                lines += 1
        _tell_written(output, lines)
    return 0


def _tell_written(place: str, jobs: int) -> None:
    told = counted(
        "{place}: {count} job written.", "{place}: {count} jobs written.", jobs, place=place
    )
    sys.stderr.write(f"{translated(told)}\n")


def first_second(day: str | None) -> int | None:
    """Return when a day begins, in seconds since 1970 UTC.

    Raises:
        UsageError: it is no day.
    """
    from datetime import UTC, datetime

    if day is None:
        return None
    try:
        return int(datetime.strptime(day, "%Y-%m-%d").replace(tzinfo=UTC).timestamp())
    except ValueError as error:
        raise UsageError(
            say("{day}: is not a date.", day=day), say("Write it as 2031-02-28.")
        ) from error


def last_second(day: str | None) -> int | None:
    """Return when a day is over, in seconds since 1970 UTC.

    Raises:
        UsageError: it is no day.
    """
    begin = first_second(day)
    return None if begin is None else begin + 86_400
