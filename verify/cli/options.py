"""Arguments and options that several commands share."""

from enum import StrEnum
from typing import Annotated

import typer

from verify.text.message import say

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


class FormatName(StrEnum):
    """A format of a report."""

    HTML = "html"
    PDF = "pdf"
    JSON = "json"
    MD = "md"
    CSV = "csv"


class LangName(StrEnum):
    """A language that a report is printed in."""

    ENGLISH = "en"
    GERMAN = "de"


def language_of(lang: LangName | None) -> str:
    """Return the code of the language that was asked for, or of this run."""
    from verify.text.language import spoken

    return spoken() if lang is None else lang.value


SourceArgument = Annotated[
    str,
    typer.Argument(metavar="SOURCE", help=say("The old drive: a device, an image or a manifest.")),
]
TargetArgument = Annotated[
    str,
    typer.Argument(metavar="TARGET", help=say("The new drive: a device, an image or a manifest.")),
]
FitOption = Annotated[
    str | None,
    typer.Option(
        "--fit",
        metavar="FILE",
        help=say("Check the new drive against the layout that `fit -o` wrote."),
    ),
]
DepthOption = Annotated[
    DepthName | None,
    typer.Option(
        "--depth",
        help=say(
            "How much to read. layout: tables, filesystems and file lists; sample: also a random"
            " sample of the contents; full: all contents.  [default: DRIVEWITNESS_DEPTH, else the"
            " settings file, else sample]"
        ),
    ),
]
DepthAsThenOption = Annotated[
    DepthName | None,
    typer.Option(
        "--depth",
        help=say(
            "How much to read. layout: tables, filesystems and file lists; sample: also a random"
            " sample of the contents; full: all contents.  [default: as much as for the job]"
        ),
    ),
]
SeedOption = Annotated[
    str | None,
    typer.Option(
        "--seed",
        metavar="TEXT",
        help=say("Start value of the random sample; both drives need the same one."),
    ),
]
ConfidenceOption = Annotated[
    float | None,
    typer.Option(
        "--confidence",
        metavar="SHARE",
        help=say("Confidence of the bounds on what was not read.  [default: 0.95]"),
    ),
]
SampleFilesOption = Annotated[
    int | None,
    typer.Option(
        "--sample-files",
        metavar="N",
        min=1,
        help=say("How many files to read.  [default: as many as the bound needs]"),
    ),
]
SampleBlocksOption = Annotated[
    int | None,
    typer.Option(
        "--sample-blocks",
        metavar="N",
        min=1,
        help=say(
            "How many blocks of large files and raw partitions to read.  [default: as many as the"
            " bound needs]"
        ),
    ),
]
ScratchOption = Annotated[
    str | None,
    typer.Option(
        "--scratch",
        metavar="DIR",
        help=say("The folder for temporary files; never on a drive that is read."),
    ),
]
RetriesOption = Annotated[
    int,
    typer.Option(
        "--retries",
        metavar="N",
        min=0,
        max=20,
        help=say(
            "How often a failed read is repeated, 20 times at most: each try wears a failing drive"
            " and can take a minute."
        ),
    ),
]
ViewOption = Annotated[
    list[str] | None,
    typer.Option(
        "--view",
        metavar="N=PATH",
        help=say(
            "Read the files of partition N from here: an unlocked, read-only view if it is"
            " encrypted, or a snapshot if it is in use. A device or an image file. Can be repeated."
        ),
    ),
]
SourceViewOption = Annotated[
    list[str] | None,
    typer.Option(
        "--source-view",
        metavar="N=PATH",
        help=say(
            "Read the files of partition N of the old drive from here: an unlocked, read-only view"
            " or a snapshot, as a device or an image file. Can be repeated."
        ),
    ),
]
TargetViewOption = Annotated[
    list[str] | None,
    typer.Option(
        "--target-view",
        metavar="N=PATH",
        help=say(
            "Read the files of partition N of the new drive from here: an unlocked, read-only view"
            " or a snapshot, as a device or an image file. Can be repeated."
        ),
    ),
]
OnePartitionOption = Annotated[
    bool,
    typer.Option(
        "--one-partition",
        help=say("Examine a single partition. The result then says nothing about wiping a drive."),
    ),
]
WholeDriveOption = Annotated[
    bool,
    typer.Option(
        "--whole-drive",
        help=say(
            "Confirm that a drive without a partition table is a whole drive, such as a USB stick"
            " formatted without one."
        ),
    ),
]
JsonOption = Annotated[
    bool, typer.Option("--json", help=say("Print one JSON document on standard output."))
]
REPORT_ENDINGS = say(".html, .pdf, .json, .md or .csv (findings)")
"""What help says of the formats of a report."""

ReportOption = Annotated[
    list[str] | None,
    typer.Option(
        "--report",
        metavar="FILE",
        help=say(
            "Write a report; the ending says the format: {endings}. Can be repeated.",
            endings=REPORT_ENDINGS,
        ),
    ),
]
NamesOption = Annotated[
    bool | None,
    typer.Option(
        "--names/--no-names",
        help=say(
            "Write the shop's edition, with the customer's file names.  [default:"
            " DRIVEWITNESS_NAMES, else the settings file, else no names]"
        ),
    ),
]
SheetOption = Annotated[
    list[str] | None,
    typer.Option(
        "--sheet",
        metavar="FILE",
        help=say(
            "Write a one-page sheet for the customer to sign, without file names: .html or .pdf."
            " Can be repeated."
        ),
    ),
]
ReplaceReportOption = Annotated[
    bool, typer.Option("--replace", help=say("Replace a report that already exists."))
]
PaperOption = Annotated[
    PaperName | None,
    typer.Option(
        "--paper",
        help=say(
            "Paper size of a PDF report.  [default: DRIVEWITNESS_PAPER, else the settings file,"
            " else a4]"
        ),
    ),
]
ShopOption = Annotated[
    str | None,
    typer.Option(
        "--shop",
        metavar="NAME",
        help=say(
            "The shop's name, for reports.  [default: DRIVEWITNESS_SHOP_NAME, else the settings"
            " file]"
        ),
    ),
]
ShopAddressOption = Annotated[
    str | None,
    typer.Option(
        "--shop-address",
        metavar="TEXT",
        help=say(
            "The shop's address; a semicolon ends a line.  [default: DRIVEWITNESS_SHOP_ADDRESS,"
            " else the settings file]"
        ),
    ),
]
ShopLogoOption = Annotated[
    str | None,
    typer.Option(
        "--shop-logo",
        metavar="FILE",
        help=say(
            "The shop's logo, a PNG or JPEG file.  [default: DRIVEWITNESS_SHOP_LOGO, else the"
            " settings file]"
        ),
    ),
]
FormatOption = Annotated[
    list[FormatName] | None,
    typer.Option(
        "--format",
        help=say(
            "Format of a report whose name has no ending. Can be repeated.  [default:"
            " DRIVEWITNESS_FORMATS, else the settings file]"
        ),
    ),
]
LangOption = Annotated[
    LangName | None,
    typer.Option(
        "--lang",
        help=say(
            "Language of screens, help and reports; JSON and CSV stay English.  [default:"
            " DRIVEWITNESS_LANGUAGE, else the settings file, else the system's, else English]"
        ),
    ),
]
