"""Which drive lies on the bench, said first and so that it is read at a glance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.padding import Padding

from verify.archive.archive_screen import recorded_facts
from verify.report.answer import (
    FIRST_START,
    MANIFEST,
    Answer,
    facts_of,
    no_drive,
    of_no_drive,
)
from verify.report.comparison_report import when
from verify.report.terminal import (
    badge,
    facts_table,
    headline,
    print_answer,
    section,
    sentence,
)
from verify.report.words import LEVELS
from verify.text.message import say

if TYPE_CHECKING:
    from rich.console import Console

    from verify.after.identify import State
    from verify.manifest.header import Header
    from verify.report.answer import Word
    from verify.text.message import Message

QUESTION = say("May this drive be wiped?")
TITLE = say("This drive")

_TONES = {"free": "sound", "wait": "review", "file": "review"}

_ANSWERS: dict[State, tuple[Word, str]] = {
    "new": ("no", say("It is the new drive.")),
    "free": ("yes", say("Make sure first that important data has a backup.")),
    "wait": ("not yet", FIRST_START),
    "keep": ("no", say("The reasons against it are named above.")),
    "not_known": ("no", say("No job of this archive has it.")),
    "cannot_tell": ("no", say("It is not clear which drive this is.")),
}

_BY_IDENTIFIERS = say(
    "A further clone of the same size has the same identifiers: compare the label on the drive"
    " before it is wiped."
)


def saying(state: State, job: str) -> Message:
    """Say what a drive is, in capitals.

    NOTE: each begins with another word: at a glance, one must not be taken for another.
    """
    sayings: dict[State, Message] = {
        "new": say("NEW DRIVE OF JOB {job}: DO NOT WIPE IT.", job=job),
        "free": say("OLD DRIVE OF JOB {job}: MAY BE WIPED.", job=job),
        "wait": say(
            "WAIT: OLD DRIVE OF JOB {job}, BUT THE NEW ONE WAS NOT SEEN TO START ALONE.", job=job
        ),
        "keep": say("KEEP: OLD DRIVE OF JOB {job}. DO NOT WIPE IT.", job=job),
        "file": say("FILE OF JOB {job}: NO DRIVE WAS READ.", job=job),
        "not_known": say("NOT KNOWN: NO JOB OF THIS ARCHIVE HAS THIS DRIVE."),
        "cannot_tell": say("UNCLEAR: OLD DRIVE OR NEW DRIVE OF A JOB. DO NOT WIPE IT."),
    }
    return sayings[state]


def answer_for(state: State, header: Header, *, recorded: bool) -> Answer:
    """Return whether the drive at hand may be wiped; `recorded`: only a manifest was given."""
    drive = header.drive
    if what := MANIFEST if recorded else no_drive(header):
        return of_no_drive(what, drive.path, drive.size_bytes)
    word, why = _ANSWERS[state]
    return Answer(word, why, facts_of(drive), QUESTION, TITLE)


def print_identified(console: Console, document: dict[str, Any], answer: Answer) -> None:
    """Print which drive it is, what forbids wiping it, and the answer."""
    state = document["state"]
    words = saying(state, document["job"] or "")
    console.print(headline(badge("", _TONES.get(state, "stop")), words))
    if document["job"] is not None:
        serial = document["matched_by"] == "serial"
        by = say("the serial number") if serial else say("identifiers alone")
        filed = say(
            "filed {moment} as {verdict}; recognised by {by}",
            moment=when(document["job_filed"]),
            verdict=LEVELS.get(document["job_verdict"], document["job_verdict"]),
            by=by,
        )
        console.print(Padding(sentence(filed), (0, 0, 0, 2)))
        if document["matched_by"] != "serial":
            console.print(Padding(sentence(_BY_IDENTIFIERS), (0, 0, 0, 2)))
    nothing = "" if document["against"] else say("nothing was found")
    section(console, say("AGAINST WIPING IT"), nothing)
    for line in document["against"]:
        console.print(Padding(sentence(line), (0, 0, 0, 2)))
    section(
        console, say("THE DRIVE AT HAND") if document["read_now"] else say("AS IT WAS RECORDED")
    )
    console.print(facts_table(recorded_facts(document["drive"])))
    print_answer(console, answer)
