"""`drivewitness demo`: the whole job on invented drives that come with the program."""

from pathlib import Path
from typing import Annotated, NamedTuple

import typer

from verify.text.language import translated
from verify.text.message import joined, say

_OPENING = (
    say(
        "Three pairs of invented drives: a good clone, a bad one, and one made"
        " while the computer was in use. No real drive is read. Only temporary"
        " files are written, and the reports if `--report` asks for them."
    ),
    say(
        "The drives are images, so no drive is identified. With real drives the last line of each"
        " check says whether the old drive may be wiped, and which one that is."
    ),
    say(
        "Each check is shown in brief. `drivewitness check` also shows the drives, the partitions,"
        " the notes and what it could not examine; `drivewitness demo --report DIR` writes all"
        " that."
    ),
)


class Pair(NamedTuple):
    """Two of the demo's drives, the verdict that is right for them, and what is said of them.

    `commands` stand as they are, so that they can be copied; `closing` explains them.
    """

    source: str
    target: str
    verdict: str
    title: str
    shows: str
    to_do: str
    commands: tuple[str, ...] = ()
    closing: str = ""


PAIRS = (
    Pair(
        "old",
        "sound",
        "sound",
        say("1. THE GOOD CLONE"),
        say(
            "What it shows: the first line says how much was compared. These drives are small, so"
            " that was everything; on large ones the line says how much could still differ. The"
            " system partition was shrunk on purpose: a note, since all its files were compared."
        ),
        say(
            "What to do with real drives: start the computer from the new drive alone. Keep the old"
            " one until it has started."
        ),
    ),
    Pair(
        "old",
        "faulty",
        "stop",
        say("2. THE BAD CLONE"),
        say(
            "What it shows: in a file browser this clone looks the same, and it may well start."
            " Each finding says what, where, both values and what to do. The worst stand first."
        ),
        say(
            "What to do: keep the old drive. Clone again, or repair what STOP lists; then check"
            " again."
        ),
    ),
    Pair(
        "busy",
        "snapshot",
        "review",
        say("3. THE CLONE OF A COMPUTER IN USE"),
        say(
            "What it shows: the computer was used after the clone. Its logs, caches"
            " and browser files changed, which is not a fault. A person changed or"
            " created six files: the clone has an older version of them, or none."
        ),
        say("What to do: list the six files, copy them to the new drive, and check again."),
        (
            "drivewitness check OLD NEW --names --differences copy.paths0",
            (
                "rsync --archive --ignore-times --from0 --files-from=copy-partition-3.paths0"
                " /mnt/old/ /mnt/new/"
            ),
        ),
        say(
            "/mnt/old is partition 3 of the old drive, mounted read-only; /mnt/new is that of the"
            " new drive."
        ),
    ),
)


def demo(
    scratch: Annotated[
        str | None,
        typer.Option("--scratch", metavar="DIR", help=say("The folder for temporary files.")),
    ] = None,
    report: Annotated[
        str | None,
        typer.Option(
            "--report", metavar="DIR", help=say("Write the reports into this new folder.")
        ),
    ] = None,
) -> int:
    """Run the whole job on invented drives.

    On a good clone, a bad one, and one made while the machine was in use. Nothing is attached, no
    rights are needed.
    """
    from verify.capture.options import CaptureOptions
    from verify.cli.capture_request import new_folder
    from verify.cli.demo_images import DEMO, unpack
    from verify.cli.judging import judged, tell, working_folder
    from verify.cli.option_groups import EditionOptions
    from verify.cli.output import emit
    from verify.cli.report_files import report_files
    from verify.report.formats import TEXT_ENDINGS

    reports = None if report is None else new_folder(report)
    _say(*_OPENING)
    options = CaptureOptions(scratch=None if scratch is None else Path(scratch))
    right = True
    with working_folder(options.scratch) as folder:
        paths = {name: str(unpack(name, Path(folder))) for name in DEMO}
        for pair in PAIRS:
            title = translated(pair.title)
            line = "=" * len(title)
            emit(f"\n{line}\n{title}\n{line}\n\n")
            with judged(paths[pair.source], paths[pair.target], options) as found:
                tell(found, as_document=False, brief=True)
            emit("\n")
            _say(pair.shows, pair.to_do)
            if pair.commands:
                emit("".join(f"  {command}\n" for command in pair.commands))
                _say(pair.closing)
            if reports is not None:
                files = [str(reports / f"{pair.target}{ending}") for ending in TEXT_ENDINGS]
                report_files(files, (), EditionOptions()).write(found.comparison)
            right = right and found.comparison.verdict == pair.verdict
    emit(_closing(right=right))
    return 0 if right else 70


def _say(*paragraphs: str) -> None:
    """Print paragraphs, each line ending at a word."""
    from rich.text import Text

    from verify.cli.output import emit_drawn

    emit_drawn(lambda console: console.print(Text("\n".join(map(translated, paragraphs)))))


def _closing(*, right: bool) -> str:
    from verify.report.words import LEVELS

    wanted = joined(LEVELS[pair.verdict] for pair in PAIRS)
    closing = (
        say("All three verdicts are as they should be: {wanted}.", wanted=wanted)
        if right
        else say(
            "A verdict is not as it should be ({wanted}): this is a fault of the program.",
            wanted=wanted,
        )
    )
    return f"\n{translated(closing)}\n"
