"""`drivewitness compare SOURCE TARGET`: two manifests into a comparison."""

from verify.cli.difference_files import DifferencesOption
from verify.cli.option_groups import EditionOptions, ScopeOptions, with_option_groups
from verify.cli.options import (
    EXIT_OF_VERDICT,
    FitOption,
    JsonOption,
    ReportOption,
    SourceArgument,
    TargetArgument,
)


@with_option_groups
def compare(  # noqa: PLR0913 - the command's own options
    source: SourceArgument,
    target: TargetArgument,
    *,
    scope: ScopeOptions,
    fit: FitOption = None,
    report: ReportOption = None,
    differences: DifferencesOption = None,
    edition: EditionOptions,
    json: JsonOption = False,
) -> int:
    """Compare two manifests and give the verdict.

    A drive or an image in place of a manifest is read first, as `check` reads it.
    """
    from dataclasses import replace as with_changes

    from verify.cli.capture_request import given_as, like_the_other_side
    from verify.cli.difference_files import difference_files
    from verify.cli.judging import declared_by, judged, tell
    from verify.cli.keep_off import keep_off
    from verify.cli.report_files import report_files

    declared = declared_by(fit)
    reports = report_files(report, (source, target), edition)
    sides = source, target
    lists = difference_files(differences, sides, names=edition.with_names, others=reports.places)
    keep_off(sides, (*reports.places, *lists.files))
    said = given_as(sides, scope)
    options = with_changes(like_the_other_side(sides), given_as=said)
    with judged(source, target, options, declared=declared) as found:
        try:
            reports.write(found.comparison)
            lists.write(found.differences, found.comparison.difference_counts)
        finally:  # the answer stands last, and also where no report can be written
            tell(found, as_document=json, lang=edition.lang)
    return EXIT_OF_VERDICT[found.comparison.verdict]
