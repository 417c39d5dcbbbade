"""`drivewitness report COMPARISON|JOB`: the report again, without drives."""

from pathlib import Path
from typing import Annotated

import typer

from verify.cli.job_options import ArchiveOption, archive_at
from verify.cli.option_groups import EditionOptions, with_option_groups
from verify.cli.options import REPORT_ENDINGS, JsonOption
from verify.text.message import say


@with_option_groups
def report(
    comparison: Annotated[
        str,
        typer.Argument(
            metavar="COMPARISON|JOB",
            help=say("A job of the archive, or a file with what `check --json` printed."),
        ),
    ],
    *,
    output: Annotated[
        list[str] | None,
        typer.Option(
            "--output",
            "-o",
            "--report",
            metavar="FILE",
            help=say(
                "The report to write; the ending says the format: {endings}. Can be repeated. "
                " [default: Markdown on standard output]",
                endings=REPORT_ENDINGS,
            ),
        ),
    ] = None,
    edition: EditionOptions,
    archive: ArchiveOption = None,
    json: JsonOption = False,
) -> int:
    """Write the report of a comparison or a job again, in any format.

    No drive is needed, and the same comparison gives the same report, byte for byte.
    """
    from verify.cli.output import emit
    from verify.cli.report_files import report_files
    from verify.report.comparison_file import open_comparison
    from verify.report.handover import report_document
    from verify.report.json_text import as_json

    path, seal = _saved(comparison, archive)
    saved = str(path)
    reports = report_files(output, (saved,), edition)
    document = open_comparison(saved)
    if json:
        emit(as_json(report_document(reports.handover(document, seal))) + "\n")
    elif not reports.files and not reports.sheets:
        emit(reports.made(reports.handover(document, seal), ".md").decode("utf-8"))
    reports.write(document, seal)
    return 0


def _saved(named: str, archive: str | None) -> tuple[Path, str | None]:
    """Return the file of the comparison that was meant, and its job's seal if a job was meant.

    What can be meant: the file itself, a job's folder, or a job's name.

    Raises:
        ArchiveError: there is no such archive, or no such job in it.
    """
    from verify.archive.entry import COMPARISON_NAME, read_entry

    path = Path(named)
    if path.is_dir():
        seal = read_entry(path).seal
        return path / COMPARISON_NAME, None if seal is None else seal.words
    is_name = path.name == named and not path.suffix
    if archive is not None or (is_name and not path.exists()):
        kept = archive_at(archive)
        seal = kept.job(named).seal
        return kept.file(named, COMPARISON_NAME), None if seal is None else seal.words
    return path, None
