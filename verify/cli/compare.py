"""`drivewitness compare SOURCE TARGET`: two manifests into a comparison."""

from verify.cli.options import (
    EXIT_OF_VERDICT,
    FitOption,
    JsonOption,
    LangOption,
    NamesOption,
    PaperName,
    PaperOption,
    ReplaceReportOption,
    ReportOption,
    SourceArgument,
    TargetArgument,
)


def compare(  # noqa: PLR0913 - the command's own options
    source: SourceArgument,
    target: TargetArgument,
    *,
    fit: FitOption = None,
    report: ReportOption = None,
    names: NamesOption = False,
    replace: ReplaceReportOption = False,
    paper: PaperOption = PaperName.A4,
    lang: LangOption = None,
    json: JsonOption = False,
) -> int:
    """Compare two manifests, and give the verdict.

    A drive or an image in the place of a manifest is read first, as `check` reads it.
    """
    from verify.cli.capture_request import like_the_other_side
    from verify.cli.judging import declared_by, judge, tell
    from verify.cli.report_files import report_files

    declared = declared_by(fit)
    reports = report_files(
        report, (source, target), names=names, replace=replace, paper=paper, lang=lang
    )
    judged = judge(source, target, like_the_other_side((source, target)), declared=declared)
    tell(judged, as_document=json, lang=lang)
    reports.write(judged.comparison)
    return EXIT_OF_VERDICT[judged.comparison.verdict]
