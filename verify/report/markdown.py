"""The report as Markdown; what a drive wrote is text there too, whatever signs are in it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from verify.report.answer import ANSWER_WORDS
from verify.report.handover_words import (
    MOST_TO_COPY,
    NEVER_CLONED,
    NOTHING_FOUND,
    ONLY_NOTES,
    SIGNATURE_FIELDS,
    SIGNATURES,
    TO_COPY_TITLE,
    WIPE_INTRODUCTION,
)
from verify.report.harmless import harmless
from verify.report.html import SENTENCE_LONGEST, facts
from verify.report.words import ABSENT, ALL_NAMES, HEADINGS, LEVELS, MARKS
from verify.rules.rule import Level
from verify.text.language import _, speaking, spoken, translated
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.report.answer import Answer
    from verify.report.comparison_report import Report
    from verify.report.evidence import Gap
    from verify.report.handover import Action, Handover

# SPEC: CommonMark 0.31.2 section 2.4: any ASCII punctuation may stand behind a backslash. Escaped
# is what acts inside a line, what begins a block at its start (sections 4 and 5), and what makes a
# link of plain text (GitHub Flavored Markdown, "Autolinks": `www.`, `://`, `@`).
_SIGNS = re.compile(
    r"[\\`*_\[\]<>#|~&@!]|(?<=:)/(?=/)|(?<=www)\.|^[-+=](?=\s|$|[-=])", re.IGNORECASE
)
_NUMBERED = re.compile(r"^(\d+)([.)])(?=\s|$)")
_BLANK = "____________________"


def text(value: object) -> str:
    """Return any text as Markdown that shows it and does nothing."""
    shown = harmless(translated(value if isinstance(value, str) else str(value)), SENTENCE_LONGEST)
    return _NUMBERED.sub(r"\1\\\2", _SIGNS.sub(r"\\\g<0>", shown))


def title_in(language: str) -> str:
    """Return the first line of a report in one of `LANGUAGES`."""
    with speaking(language):
        return "# " + _("Drive migration report")


def markdown(handover: Handover) -> str:
    """Return the report as a Markdown document."""
    return "\n".join(line.rstrip(" ") for line in _lines(handover)) + "\n"


def _lines(handover: Handover) -> Iterator[str]:
    report = handover.report
    yield title_in(spoken())
    shop = handover.shop
    for line in ((shop.name,) if shop.name else ()) + shop.address:
        yield f"\n{text(line)}"
    yield f"\n{text(handover.edition_words)}"
    of_drives = handover.of_drives
    yield _heading(2, report.answer.heading)
    yield f"{_answered(report.answer)}\n"
    yield f"**{text(HEADINGS[report.verdict])}**: {text(report.sentence)}"
    yield _heading(3, say("Which drive is which"))
    yield from _table((say("what"), say("old drive"), say("new drive")), facts(handover))
    yield _heading(3, say("Partitions, in their order on the old drive"))
    yield from _table(
        (
            say("old"),
            say("contents"),
            say("size"),
            say("new"),
            say("size"),
            say("result"),
            say("finding"),
        ),
        (
            (
                item.old,
                item.what,
                item.old_size,
                item.new,
                item.new_size,
                item.became,
                LEVELS[item.weight],
            )
            for item in report.partitions
        ),
    )
    yield "\n" + text(say("In words: {words}", words=handover.picture.words))
    if handover.places.lines:
        yield _heading(3, say("Where it is on the drives"))
        yield from _table(
            (say("drive"), say("what"), say("partition"), say("how much"), say("where")),
            (
                (line.drive, line.what, line.partition, line.amount, line.where)
                for line in handover.places.lines
            ),
        )
    yield from _section(say("What was compared"), report.evidence)
    yield from _against(handover)
    if report.to_copy:
        yield from _section(TO_COPY_TITLE, _to_copy(report))
    yield from _section(
        say("What was not examined, and why"),
        (_gap(gap) for gap in report.gaps),
    )
    yield from _section(say("What to do next"), report.next_steps)
    yield _heading(2, say("Findings, grouped by what to do"))
    for action in handover.actions:
        yield from _action(action)
    if not handover.actions:
        yield "\n" + _("There are none.")
    yield _heading(2, say("Handover"))
    yield _heading(3, say("To be checked off"))
    yield from (f"- [ ] {text(item)}" for item in handover.checklist)
    yield from _section(say("Caution"), (*report.cautions, *((NEVER_CLONED,) if of_drives else ())))
    yield _heading(3, say("Signatures"))
    for who in SIGNATURES:
        yield f"- {translated(who)}: " + " ".join(
            f"{translated(word)} {text(_BLANK)}" for word in SIGNATURE_FIELDS
        )
    if handover.wipe_fields:
        yield _heading(2, say("Record of the wipe"))
        yield f"{text(WIPE_INTRODUCTION)}\n"
        yield from _table(
            (say("field"), say("to be filled in"), say("remark")),
            ((name, "", remark) for name, remark in handover.wipe_fields),
        )
    yield from _made(handover)


def _answered(answer: Answer) -> str:
    word = "" if answer.word is None else f"**{text(ANSWER_WORDS[answer.word])}.** "
    facts = ", ".join(map(text, answer.facts))
    return f"{word}{text(answer.why)}" + (f" {text(answer.title)}: {facts}." if facts else "")


def _heading(depth: int, title: str) -> str:
    return f"\n{'#' * depth} {translated(title)}\n"


def _against(handover: Handover) -> Iterator[str]:
    asked = say("Problems found")
    yield _heading(3, asked if handover.of_drives else say("Differences"))
    for action in handover.against:
        first, more = action.findings[0], len(action.findings) - 1
        rest = _(" (and {more} more of this kind)", more=more) if more else ""
        level = translated(LEVELS[action.level])
        yield f"- {MARKS[action.level]} {level}: {text(first.message)}{rest}"
    if not handover.against:
        yield translated(ONLY_NOTES if handover.actions else NOTHING_FOUND)


def _to_copy(report: Report) -> Iterator[str]:
    for file in report.to_copy[:MOST_TO_COPY]:
        told = ", ".join(map(translated, (file.place, file.size, file.written)))
        yield f"{file.path} ({told})"
    if (more := len(report.to_copy) - MOST_TO_COPY) > 0:
        yield say("and {count:,} more, which --differences lists", count=more)


def _gap(gap: Gap) -> str:
    """Return what was not examined and why, in the language of the report."""
    needed = _(" (required for sound)") if gap.needed else ""
    return f"{translated(gap.what)}{needed}: {translated(gap.reason)}"


def _action(action: Action) -> Iterator[str]:
    level = Level(action.level)
    yield f"\n### {MARKS[level]} {translated(HEADINGS[level])}: {text(action.advice)}\n"
    rule = say("Check: {rule}.", rule=action.rule)
    yield f"{text(rule)} {text(action.why)}\n"
    for told in action.findings:
        place = text(told.where) + (f", {text(told.path)}" if told.path is not None else "")
        yield f"- {place}: {text(told.message)}"
        if told.old is not None or told.new is not None:
            old, new = (ABSENT if value is None else value for value in (told.old, told.new))
            yield "  " + text(say("old: {old}; new: {new}", old=old, new=new))
        yield from (f"  - {text(path)}" for path in told.examples)
    if any(told.examples for told in action.findings):
        yield f"\n{text(ALL_NAMES)}"


def _made(handover: Handover) -> Iterator[str]:
    yield _heading(2, say("How this report was made"))
    yield f"- drivewitness {text(handover.tool_version)}; {text(handover.edition_words)}"
    old, new = map(text, handover.manifest_digests)
    yield "- " + _("manifest of the old drive (BLAKE3):") + f" {old}"
    yield "- " + _("manifest of the new drive (BLAKE3):") + f" {new}"
    if handover.seal is not None:
        yield "- " + _("newest seal of the archive it was filed in:") + f" {text(handover.seal)}"
    contents = say("this report (BLAKE3 of its JSON form with this digest left empty):")
    yield f"- {translated(contents)} {handover.digest}"
    yield _heading(3, say("Checks made (R: required for sound)"))
    yield from _table(
        (say("check"), say("result"), say("compared"), say("remark")),
        (
            (f"{item.rule}{' R' * item.required}", item.outcome, item.compared, item.reason)
            for item in handover.answers
        ),
    )


def _section(title: str, items: Iterable[str]) -> Iterator[str]:
    yield _heading(3, title)
    lines = [f"- {text(item)}" for item in items]
    yield from lines or [_("Nothing.")]


def _table(titles: tuple[str, ...], rows: Iterable[tuple[object, ...]]) -> Iterator[str]:
    yield "| " + " | ".join(map(translated, titles)) + " |"
    yield "|" + "---|" * len(titles)
    for row in rows:
        yield "| " + " | ".join(text(cell) for cell in row) + " |"
