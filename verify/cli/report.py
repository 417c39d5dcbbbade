"""`drivewitness report COMPARISON`: the report again, from a saved comparison, without drives."""

from typing import Annotated

import typer

from verify.cli.options import (
    JsonOption,
    NamesOption,
    PaperName,
    PaperOption,
    ReplaceReportOption,
)


def report(  # noqa: PLR0913 - the command's own options
    comparison: Annotated[
        str,
        typer.Argument(metavar="COMPARISON", help="What `check --json` printed, saved as a file."),
    ],
    *,
    output: Annotated[
        list[str] | None,
        typer.Option(
            "--output",
            "-o",
            "--report",
            metavar="FILE",
            help="The report to write: .html, .pdf, .json, .md or .csv. May be given again."
            "  [default: Markdown on standard output]",
        ),
    ] = None,
    names: NamesOption = False,
    replace: ReplaceReportOption = False,
    paper: PaperOption = PaperName.A4,
    json: JsonOption = False,
) -> int:
    """Make the report of a comparison again, in any format.

    No drive is needed, and the same comparison gives the same report, byte for byte.
    """
    from verify.cli.output import emit
    from verify.cli.report_files import report_files
    from verify.report.comparison_file import open_comparison
    from verify.report.handover import report_document
    from verify.report.json_text import as_json
    from verify.report.markdown import markdown

    reports = report_files(output, (comparison,), names=names, replace=replace, paper=paper)
    document = open_comparison(comparison)
    if json:
        emit(as_json(report_document(reports.handover(document))) + "\n")
    elif not reports.files:
        emit(markdown(reports.handover(document)))
    reports.write(document)
    return 0
