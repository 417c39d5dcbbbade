"""What a look at the started machine showed, and the drives attached to one, for people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from verify.after.known_drives import twins, warning
from verify.report.answer import NOT_IDENTIFIED, Answer, facts_of, no_drive, of_no_drive
from verify.report.comparison_report import NOT_TOLD, both_sizes
from verify.report.drive import serial_words
from verify.report.health_words import health_facts
from verify.report.terminal import (
    answer_line,
    badge,
    facts_table,
    headline,
    plain,
    print_answer,
    section,
    sentence,
)
from verify.text.language import _, translated
from verify.text.message import counted, joined, say

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from rich.console import Console

    from verify.after.known_drives import KnownDrive
    from verify.manifest.header import Header
    from verify.platforms.running_machine import SeenDrive
    from verify.report.answer import Word

_STATES = {
    "fits": say("fits"),
    "differs": say("DIFFERS"),
    "beware": say("BEWARE"),
    "not_told": NOT_TOLD,
}

_SAYS = {
    "yes": say("this machine runs from the new drive, and from it alone"),
    "beware": say("it runs from the new drive, but something must be fixed first"),
    "no": say("this machine does NOT run from the new drive"),
    "cannot_tell": say("it is not known whether this machine runs from the new drive"),
}

_NEXT = {
    "yes": say("Keep the old drive until `identify` on it finds no reason to keep it."),
    "beware": say("Fix what is marked above, restart the machine, and run `running` again."),
    "no": say(
        "Wipe nothing. Switch off, attach the new drive alone, restart, and run `running` again."
    ),
    "cannot_tell": say(
        "Wipe nothing. Detach the old drive and restart. If a serial number"
        " above matches the label of the new drive, record the start with `jobs"
        " started`."
    ),
}


_LEVELS = {"yes": "sound", "beware": "review", "no": "stop", "cannot_tell": "stop"}

_ANSWERS: dict[str, tuple[Word, str]] = {
    "yes": ("not yet", say("Run `identify` on the old drive first.")),
    "beware": ("not yet", say("First fix what is marked above.")),
    "no": ("no", say("The machine does not run from the new drive.")),
    "cannot_tell": ("no", say("It is not known whether the machine runs from the new drive.")),
}

MANIFEST_ALONE = say("The manifest of the new drive does not say which drive is the old one.")
JOB_NOT_SOUND = say("The job is not sound.")


def print_running(console: Console, document: dict[str, Any], old: Header | None) -> None:
    """Print whether the machine runs from the new drive, and everything that was looked at.

    The first line and the last are the same: what it means for the old drive.

    `old`: the old drive of the job, where a job is known.
    """
    answer = document["answer"]
    if answer == "yes" and not document["fits"]:
        answer = "beware"
    about_old = answer_for(answer, old, document["job_verdict"])
    console.print(answer_line(about_old))
    section(console, say("THIS MACHINE"))
    console.print(headline(badge("", _LEVELS[answer]), _SAYS[answer]))
    section(console, say("CHECKED"))
    table = Table.grid(padding=(0, 2))
    table.add_column(no_wrap=True)
    table.add_column()
    for check in document["checks"]:
        heavy = "bold" if check["state"] in {"differs", "beware"} else ""
        state = Text(translated(_STATES[check["state"]]), style=heavy)
        table.add_row(state, sentence(check["message"], heavy))
    console.print(table)
    section(console, say("THE NEW DRIVE"), say("as it was recorded"))
    console.print(facts_table(_expected(document["expected"])))
    section(console, say("NEXT"))
    console.print(Padding(sentence(_NEXT[answer]), (0, 0, 0, 2)))
    print_answer(console, about_old)


def answer_for(answer: str, old: Header | None, verdict: str | None) -> Answer:
    """Return whether the old drive may be wiped: never yes, for it is not the one at hand."""
    if old is None:
        return Answer(None, joined((NOT_IDENTIFIED, MANIFEST_ALONE), " "))
    if what := no_drive(old):
        return of_no_drive(what, old.drive.path, old.drive.size_bytes)
    word, why = _ANSWERS[answer]
    if word == "not yet" and verdict != "sound":
        word, why = "no", JOB_NOT_SOUND
    return Answer(word, why, facts_of(old.drive))


def _expected(drive: dict[str, Any]) -> Iterator[tuple[str, str]]:
    yield say("model"), drive["model"] or NOT_TOLD
    yield say("serial"), drive["serial"] or NOT_TOLD
    yield say("size"), both_sizes(drive["size_bytes"])
    yield say("id"), drive["disk_id"] or say("none")


def print_drives(
    console: Console, drives: Sequence[SeenDrive], known: Mapping[str, KnownDrive] | None = None
) -> None:
    """Print the drives attached to this machine, each with what tells it from the others.

    `known`: by their names those that a job of the archive knows.
    """
    if not drives:
        console.print(sentence(say("This system reports no drives.")))
    for drive in drives:
        console.print()
        head = plain(drive.path, "bold") + Text("  ") + plain(both_sizes(drive.size_bytes))
        if drive.system:
            head += Text("  ") + Text(_(" THIS SYSTEM RUNS FROM IT "), style="bold reverse")
        console.print(head)
        facts = [*_facts(drive)]
        if known and drive.name in known:
            facts.append((say("job"), known[drive.name].says))
        console.print(Padding(facts_table(facts), (0, 0, 0, 2)))
    for disk_id, paths in twins(drives).items():
        console.print()
        console.print(Text(_(" BEWARE "), style="bold reverse"), sentence(warning(disk_id, paths)))


def _facts(drive: SeenDrive) -> Iterator[tuple[str, str]]:
    yield say("model"), drive.model or NOT_TOLD
    yield say("serial"), serial_words(drive.serial, drive.serial_source)
    how: list[str] = [drive.bus] if drive.bus else []
    how += [say("removable")] if drive.removable else []
    how += [say("read-only")] if drive.read_only else []
    if how:
        yield say("attached"), joined(how)
    yield say("table"), _table_words(drive)
    if drive.health is not None:
        yield from health_facts(drive.health)
    yield say("mounted"), ", ".join(drive.mounted) or say("no")


def _table_words(drive: SeenDrive) -> str:
    if drive.table is None:
        return say("not read: {reason}", reason=drive.not_opened or say("not asked for"))
    if drive.table.scheme == "none":
        return say("none")
    return counted(
        "{scheme}, {count} partition, id {id}",
        "{scheme}, {count} partitions, id {id}",
        len(drive.table.partitions),
        scheme=drive.table.scheme.upper(),
        id=drive.table.disk_id or NOT_TOLD,
    )
