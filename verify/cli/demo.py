"""`drivewitness demo`: the whole job on invented drives that come with the program."""

from pathlib import Path
from typing import Annotated

import typer

_OPENING = """\
Invented drives: an old one, a clone of it whose system partition was shrunk on purpose, and a
clone that went wrong in several ways. Nothing is attached, nothing is written but a temporary
folder. Each check below is what `drivewitness check SOURCE TARGET` prints.
"""

_SCENES = (
    (
        "sound",
        "sound",
        "1. THE GOOD CLONE",
        """\
What to see: the verdict's sentence says how far the evidence reaches. These drives are small, so
all was compared; on large ones the sentence carries the bound of the sample. The partition that
was shrunk on purpose is a note at most, since its contents are proven.""",
    ),
    (
        "faulty",
        "stop",
        "2. THE BAD CLONE",
        """\
What to see: it looks the same in a file browser, and may well start. Each finding says what,
where, both values and what to do; the heaviest stand first.""",
    ),
)


def demo(
    scratch: Annotated[
        str | None, typer.Option("--scratch", metavar="DIR", help="Where working files go.")
    ] = None,
    report: Annotated[
        str | None,
        typer.Option("--report", metavar="DIR", help="Write both reports into this new folder."),
    ] = None,
) -> int:
    """Run the whole job on invented drives.

    Once on a sound clone and once on a faulty one; nothing is attached, no rights are needed.
    """
    from verify.capture.options import CaptureOptions
    from verify.cli.capture_request import new_folder
    from verify.cli.demo_images import DEMO, unpack
    from verify.cli.judging import judge, tell, working_folder
    from verify.cli.option_groups import EditionOptions
    from verify.cli.options import LangName
    from verify.cli.output import emit
    from verify.cli.report_files import report_files
    from verify.report.formats import TEXT_ENDINGS

    reports = None if report is None else new_folder(report)
    emit(_OPENING)
    options = CaptureOptions(scratch=None if scratch is None else Path(scratch))
    right = True
    with working_folder(options.scratch) as folder:
        paths = {name: str(unpack(name, Path(folder))) for name in DEMO}
        for name, expected, title, words in _SCENES:
            emit(f"\n{'=' * len(title)}\n{title}\n{'=' * len(title)}\n\n")
            judged = judge(paths["old"], paths[name], options)
            tell(judged, as_document=False, lang=LangName.ENGLISH)
            emit(f"\n{words}\n")
            if reports is not None:
                files = [str(reports / f"{name}{ending}") for ending in TEXT_ENDINGS]
                report_files(files, (), EditionOptions(lang=LangName.ENGLISH)).write(
                    judged.comparison
                )
            right = right and judged.comparison.verdict == expected
    emit(_closing(right=right))
    return 0 if right else 70


def _closing(*, right: bool) -> str:
    if right:
        return "\nBoth verdicts are as they should be: sound, then stop.\n"
    return "\nA verdict is not as it should be (sound, then stop): this program is at fault.\n"
