"""Arguments and options that several commands share."""

from enum import StrEnum
from typing import Annotated

import typer

EXIT_OF_VERDICT = {"sound": 0, "review": 1, "stop": 3}


class DepthName(StrEnum):
    """How deeply a drive is read."""

    LAYOUT = "layout"
    SAMPLE = "sample"
    FULL = "full"


class PaperName(StrEnum):
    """The sheet a PDF is laid out for."""

    A4 = "a4"
    LETTER = "letter"


class LangName(StrEnum):
    """A language that a report is printed in."""

    ENGLISH = "en"
    GERMAN = "de"


def language_of(lang: LangName | None) -> str:
    """Return the code of the language that was asked for, or of the user's own."""
    from verify.text.language import default_language

    return default_language() if lang is None else lang.value


SourceArgument = Annotated[
    str, typer.Argument(metavar="SOURCE", help="The old drive: a device, an image or a manifest.")
]
TargetArgument = Annotated[
    str, typer.Argument(metavar="TARGET", help="The new drive: a device, an image or a manifest.")
]
FitOption = Annotated[
    str | None,
    typer.Option("--fit", metavar="FILE", help="Hold the new drive to this fit (see `fit -o`)."),
]
DepthOption = Annotated[
    DepthName | None,
    typer.Option(
        "--depth",
        help="layout: tables, filesystems, listings; sample: also a drawn sample of the contents;"
        " full: all contents.  [default: sample]",
    ),
]
SeedOption = Annotated[
    str | None,
    typer.Option("--seed", metavar="TEXT", help="Key of the draw; both drives need the same."),
]
ConfidenceOption = Annotated[
    float | None,
    typer.Option(
        "--confidence", metavar="SHARE", help="Confidence of the bounds.  [default: 0.95]"
    ),
]
SampleFilesOption = Annotated[
    int | None,
    typer.Option(
        "--sample-files", metavar="N", min=1, help="Files to draw.  [default: what the bound needs]"
    ),
]
SampleBlocksOption = Annotated[
    int | None,
    typer.Option(
        "--sample-blocks",
        metavar="N",
        min=1,
        help="Blocks of large files and raw partitions to draw.  [default: what the bound needs]",
    ),
]
ScratchOption = Annotated[
    str | None,
    typer.Option("--scratch", metavar="DIR", help="Where working files go, never on a drive read."),
]
RetriesOption = Annotated[
    int,
    typer.Option(
        "--retries",
        metavar="N",
        min=0,
        max=20,
        help="How often a failing read is tried again, 20 times at most: each try wears a failing"
        " drive and can take a minute.",
    ),
]
ViewOption = Annotated[
    list[str] | None,
    typer.Option(
        "--view",
        metavar="N=PATH",
        help="Read the files of partition N from here: an unlocked, read-only view of an encrypted"
        " one, or an existing snapshot of one in use. A device or an image file. May be given"
        " again.",
    ),
]
SourceViewOption = Annotated[
    list[str] | None,
    typer.Option("--source-view", metavar="N=PATH", help="The same, of the old drive."),
]
TargetViewOption = Annotated[
    list[str] | None,
    typer.Option("--target-view", metavar="N=PATH", help="The same, of the new drive."),
]
OnePartitionOption = Annotated[
    bool,
    typer.Option(
        "--one-partition", help="It is one partition, and is to be examined as no more than that."
    ),
]
WholeDriveOption = Annotated[
    bool,
    typer.Option(
        "--whole-drive",
        help="What has no partition table is a whole drive all the same (a formatted stick).",
    ),
]
JsonOption = Annotated[
    bool, typer.Option("--json", help="Print one JSON document on standard output.")
]
REPORT_ENDINGS = ".html, .pdf, .json, .md or .csv (findings)"
"""What help says of the formats of a report."""

ReportOption = Annotated[
    list[str] | None,
    typer.Option(
        "--report",
        metavar="FILE",
        help=f"Write the report: {REPORT_ENDINGS}. May be given again.",
    ),
]
NamesOption = Annotated[
    bool,
    typer.Option(
        "--names", help="The shop's edition of the report: with the customer's file names."
    ),
]
ReplaceReportOption = Annotated[
    bool, typer.Option("--replace", help="Replace a report that is there already.")
]
PaperOption = Annotated[PaperName, typer.Option("--paper", help="The sheet of a PDF report.")]
LangOption = Annotated[
    LangName | None,
    typer.Option(
        "--lang",
        help="The language of what is printed for people; JSON and CSV are always English."
        "  [default: the system's, else English]",
    ),
]
