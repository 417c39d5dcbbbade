"""`drivewitness check SOURCE TARGET`: read both drives, compare them, give the verdict."""

from typing import Annotated

import typer

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
        typer.Option("--keep", metavar="DIR", help="Keep both manifests in this new folder."),
    ] = None,
    fit: FitOption = None,
    report: ReportOption = None,
    edition: EditionOptions,
    job: Annotated[
        str | None,
        typer.Option("--job", metavar="ID", help="File it all in the archive under this name."),
    ] = None,
    filing: FilingOptions,
    json: JsonOption = False,
) -> int:
    """Read both drives, compare them, give the verdict."""
    from verify.cli.capture_request import capture_options, given_as, kept_folder, with_views
    from verify.cli.judging import declared_by, judge, tell
    from verify.cli.keep_off import keep_off
    from verify.cli.report_files import report_files

    declared = declared_by(fit)
    reports = report_files(report, (source, target), edition)
    options = capture_options(
        reading, beside=(source, target), given_as=given_as((source, target), scope)
    )
    both = with_views(options, (source, target), (source_view, target_view))
    views = [path for side in both for path in side.views.values()]
    filed = place_of_archive(filing.archive) if job or filing.archive or filing.ask else None
    keep_off((source, target, *views), (*reports.files, keep, filed), scratch=reading.scratch)
    to_file = filing_for(job, filing)
    with kept_folder(keep) as kept, folder_for(to_file, kept) as folder:
        judged = judge(source, target, both, folder, declared)
        try:
            seal = None
            if to_file is not None and folder is not None:
                seal = to_file.file(judged.comparison, folder, fit)
            reports.write(judged.comparison, seal)
        finally:  # the answer stands last, and also where nothing can be filed
            tell(judged, as_document=json, lang=edition.lang)
    return EXIT_OF_VERDICT[judged.comparison.verdict]
