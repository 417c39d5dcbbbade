"""`drivewitness compare SOURCE TARGET`: two manifests into a comparison."""

from verify.cli.options import EXIT_OF_VERDICT, JsonOption, SourceArgument, TargetArgument


def compare(source: SourceArgument, target: TargetArgument, *, json: JsonOption = False) -> int:
    """Compare two manifests, and give the verdict.

    A drive or an image in the place of a manifest is read first, as `check` reads it.
    """
    from verify.cli.judging import judge, tell
    from verify.cli.reading import like_the_other_side

    judged = judge(source, target, like_the_other_side((source, target)))
    tell(judged, as_document=json)
    return EXIT_OF_VERDICT[judged.comparison.verdict]
