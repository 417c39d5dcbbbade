"""`drivewitness check SOURCE TARGET`: read both drives, compare them, give the verdict."""

from typing import Annotated

import typer

from verify.cli.filing import filing_for, folder_for
from verify.cli.job_options import (
    ArchiveOption,
    AskOption,
    CustomerOption,
    KeyOption,
    NotesOption,
    TechnicianOption,
    place_of_archive,
)
from verify.cli.options import (
    EXIT_OF_VERDICT,
    ConfidenceOption,
    DepthOption,
    FitOption,
    JsonOption,
    LangOption,
    NamesOption,
    OnePartitionOption,
    PaperName,
    PaperOption,
    ReplaceReportOption,
    ReportOption,
    RetriesOption,
    SampleBlocksOption,
    SampleFilesOption,
    ScratchOption,
    SeedOption,
    SourceArgument,
    SourceViewOption,
    TargetArgument,
    TargetViewOption,
    WholeDriveOption,
)


def check(  # noqa: PLR0913 - the command's own options
    source: SourceArgument,
    target: TargetArgument,
    *,
    depth: DepthOption = None,
    seed: SeedOption = None,
    confidence: ConfidenceOption = None,
    sample_files: SampleFilesOption = None,
    sample_blocks: SampleBlocksOption = None,
    scratch: ScratchOption = None,
    retries: RetriesOption = 1,
    source_view: SourceViewOption = None,
    target_view: TargetViewOption = None,
    one_partition: OnePartitionOption = False,
    whole_drive: WholeDriveOption = False,
    keep: Annotated[
        str | None,
        typer.Option("--keep", metavar="DIR", help="Keep both manifests in this new folder."),
    ] = None,
    fit: FitOption = None,
    report: ReportOption = None,
    names: NamesOption = False,
    replace: ReplaceReportOption = False,
    paper: PaperOption = PaperName.A4,
    lang: LangOption = None,
    job: Annotated[
        str | None,
        typer.Option("--job", metavar="ID", help="File it all in the archive under this name."),
    ] = None,
    archive: ArchiveOption = None,
    technician: TechnicianOption = None,
    customer: CustomerOption = None,
    notes: NotesOption = None,
    key: KeyOption = None,
    ask: AskOption = False,
    json: JsonOption = False,
) -> int:
    """Read both drives, compare them, give the verdict."""
    from verify.cli.capture_request import capture_options, given_as, new_folder, with_views
    from verify.cli.judging import declared_by, judge, tell
    from verify.cli.keep_off import keep_off
    from verify.cli.report_files import report_files

    declared = declared_by(fit)
    reports = report_files(
        report, (source, target), names=names, replace=replace, paper=paper, lang=lang
    )
    options = capture_options(
        depth=depth,
        seed=seed,
        confidence=confidence,
        sample_files=sample_files,
        sample_blocks=sample_blocks,
        scratch=scratch,
        retries=retries,
        beside=(source, target),
        given_as=given_as((source, target), one_partition=one_partition, whole_drive=whole_drive),
    )
    both = with_views(options, (source, target), (source_view, target_view))
    views = [path for side in both for path in side.views.values()]
    filed = place_of_archive(archive) if job or archive or ask else None
    keep_off((source, target, *views), (*reports.files, keep, filed), scratch=scratch)
    filing = filing_for(
        job,
        archive=archive,
        technician=technician,
        customer=customer,
        notes=notes,
        key=key,
        ask=ask,
    )
    with folder_for(filing, None if keep is None else new_folder(keep)) as folder:
        judged = judge(source, target, both, folder, declared)
        try:
            seal = None
            if filing is not None and folder is not None:
                seal = filing.file(judged.comparison, folder, fit)
            reports.write(judged.comparison, seal)
        finally:  # the answer stands last, and also where nothing can be filed
            tell(judged, as_document=json, lang=lang)
    return EXIT_OF_VERDICT[judged.comparison.verdict]
