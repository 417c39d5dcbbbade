"""`drivewitness check SOURCE TARGET`: read both drives, compare them, give the verdict."""

from typing import Annotated

import typer

from verify.cli.difference_files import DifferencesOption
from verify.cli.filing import filing_for, folder_for
from verify.cli.job_options import place_of_archive
from verify.cli.option_groups import (
    EditionOptions,
    FilingOptions,
    ReadingOptions,
    ScopeOptions,
    with_option_groups,
)
from verify.cli.options import (
    EXIT_OF_VERDICT,
    FitOption,
    JsonOption,
    ReportOption,
    SourceArgument,
    SourceViewOption,
    TargetArgument,
    TargetViewOption,
)
from verify.text.message import say


@with_option_groups
def check(  # noqa: PLR0913 - the command's own options
    source: SourceArgument,
    target: TargetArgument,
    *,
    reading: ReadingOptions,
    source_view: SourceViewOption = None,
    target_view: TargetViewOption = None,
    scope: ScopeOptions,
    keep: Annotated[
        str | None,
        typer.Option("--keep", metavar="DIR", help=say("Keep both manifests in this new folder.")),
    ] = None,
    fit: FitOption = None,
    report: ReportOption = None,
    differences: DifferencesOption = None,
    edition: EditionOptions,
    job: Annotated[
        str | None,
        typer.Option(
            "--job",
            metavar="ID",
            help=say("File the job in the archive under this number or name."),
        ),
    ] = None,
    filing: FilingOptions,
    json: JsonOption = False,
) -> int:
    """Read both drives, compare them, and give the verdict.

    The last line says whether the old drive may be wiped.
    """
    from verify.cli.capture_request import capture_options, given_as, kept_folder, with_views
    from verify.cli.difference_files import difference_files
    from verify.cli.judging import declared_by, judged, tell
    from verify.cli.keep_off import keep_off
    from verify.cli.report_files import report_files

    declared = declared_by(fit)
    reports = report_files(report, (source, target), edition)
    lists = difference_files(
        differences, (source, target), names=edition.with_names, others=reports.places
    )
    options = capture_options(
        reading, beside=(source, target), given_as=given_as((source, target), scope)
    )
    both = with_views(options, (source, target), (source_view, target_view))
    views = [path for side in both for path in side.views.values()]
    filed = place_of_archive(filing.archive) if job or filing.archive or filing.ask else None
    keep_off(
        (source, target, *views),
        (*reports.places, *lists.files, keep, filed),
        scratch=reading.scratch,
    )
    to_file = filing_for(job, filing)
    with (
        kept_folder(keep) as kept,
        folder_for(to_file, kept) as folder,
        judged(source, target, both, folder, declared) as found,
    ):
        try:
            seal = None
            if to_file is not None and folder is not None:
                seal = to_file.file(found, folder, fit)
            reports.write(found.comparison, seal)
            lists.write(found.differences, found.comparison.difference_counts)
        finally:  # the answer stands last, and also where nothing can be filed
            tell(found, as_document=json, lang=edition.lang)
    return EXIT_OF_VERDICT[found.comparison.verdict]
