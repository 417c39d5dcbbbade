"""The report as Markdown; what a drive wrote is text there too, whatever signs are in it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from verify.report.comparison_report import ABSENT
from verify.report.handover_words import (
    CHECKLIST,
    NEVER_CLONED,
    NOTHING_FOUND,
    ONLY_NOTES,
    SIGNATURE_FIELDS,
    SIGNATURES,
    WIPE_INTRODUCTION,
)
from verify.report.harmless import harmless
from verify.report.html import SENTENCE_LONGEST, facts
from verify.report.language import Named, say, speaking, spoken
from verify.report.words import MARKS
from verify.rules.rule import Level

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

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
    shown = harmless(say(value if isinstance(value, str) else str(value)), SENTENCE_LONGEST)
    return _NUMBERED.sub(r"\1\\\2", _SIGNS.sub(r"\\\g<0>", shown))


def title_in(language: str) -> str:
    """Return the first line of a report in one of `LANGUAGES`."""
    with speaking(language):
        return f"# {say('Drive migration report')}"


def markdown(handover: Handover) -> str:
    """Return the report as a Markdown document."""
    return "\n".join(line.rstrip(" ") for line in _lines(handover)) + "\n"


def _lines(handover: Handover) -> Iterator[str]:
    report = handover.report
    yield title_in(spoken())
    yield f"\n{text(handover.edition_words)}"
    yield f"\n## {say('May the old drive be wiped?')}\n"
    yield f"**{text(report.verdict.upper())}**: {text(report.sentence)}"
    yield f"\n### {say('Which drive is which')}\n"
    yield from _table(("what", "old drive", "new drive"), facts(handover))
    yield f"\n### {say('Partitions, in their order on the old drive')}\n"
    yield from _table(
        ("old", "what it is", "size", "new", "size", "became", "finding"),
        (
            (
                item.old,
                item.what,
                item.old_size,
                item.new,
                item.new_size,
                item.became,
                item.weight,
            )
            for item in report.partitions
        ),
    )
    yield f"\n{say('In words:')} {text(handover.picture.words)}"
    if handover.places.lines:
        yield f"\n### {say('Where on the drives it lies')}\n"
        yield from _table(
            ("drive", "what", "partition", "how much", "where"),
            (
                (line.drive, line.what, line.partition, line.amount, line.where)
                for line in handover.places.lines
            ),
        )
    yield from _section("What was compared", report.evidence)
    yield from _against(handover)
    yield from _section(
        "What was not examined, and why",
        (_gap(gap) for gap in report.gaps),
    )
    yield from _section("What to do next", report.next_steps)
    yield f"\n## {say('Findings, by what to do')}"
    for action in handover.actions:
        yield from _action(action)
    if not handover.actions:
        yield f"\n{say('There are none.')}"
    yield f"\n## {say('Handover')}\n\n### {say('To be checked off')}\n"
    yield from (f"- [ ] {text(item)}" for item in CHECKLIST)
    yield from _section("Beware", (*report.cautions, NEVER_CLONED))
    yield f"\n### {say('Signatures')}\n"
    for who in SIGNATURES:
        yield f"- {say(who)}: " + " ".join(
            f"{say(word)} {text(_BLANK)}" for word in SIGNATURE_FIELDS
        )
    yield f"\n## {say('Record of the wipe')}\n\n{text(WIPE_INTRODUCTION)}\n"
    yield from _table(
        ("field", "to be filled in", "remark"),
        ((name, "", remark) for name, remark in handover.wipe_fields),
    )
    yield from _made(handover)


def _against(handover: Handover) -> Iterator[str]:
    yield f"\n### {say('What stands against wiping the old drive')}\n"
    for action in handover.against:
        first, more = action.findings[0], len(action.findings) - 1
        rest = say(f" (and {more} more of this kind)") if more else ""
        level = say(action.level.value)
        yield f"- {MARKS[action.level]} {level}: {text(first.message)}{rest}"
    if not handover.against:
        yield say(ONLY_NOTES if handover.actions else NOTHING_FOUND)


def _gap(gap: Gap) -> str:
    """Return what was not examined and why, in the language of the report."""
    needed = say(" (needed for sound)") if gap.needed else ""
    return Named(f"{say(gap.what)}{needed}: {say(gap.reason)}")


def _action(action: Action) -> Iterator[str]:
    level = Level(action.level)
    yield f"\n### {MARKS[level]} {say(level.value.upper())}: {text(action.advice)}\n"
    yield f"{say('Rule')} {text(action.rule)}. {text(action.why)}\n"
    for told in action.findings:
        place = text(told.where) + (f", {text(Named(told.path))}" if told.path is not None else "")
        yield f"- {place}: {text(told.message)}"
        if told.old is not None or told.new is not None:
            old, new = (ABSENT if value is None else value for value in (told.old, told.new))
            yield f"  {say('old:')} {text(old)}; {say('new:')} {text(new)}"


def _made(handover: Handover) -> Iterator[str]:
    yield f"\n## {say('How this report was made')}\n"
    yield f"- drivewitness {text(handover.tool_version)}; {text(handover.edition_words)}"
    for word, digest in zip(("old", "new"), handover.manifest_digests, strict=True):
        yield f"- {say(f'manifest of the {word} drive (BLAKE3):')} {text(digest)}"
    if handover.seal is not None:
        yield f"- {say('newest seal of the archive it was filed in:')} {text(handover.seal)}"
    contents = "contents of this report (BLAKE3 of its JSON form with this digest left empty):"
    yield f"- {say(contents)} {handover.digest}"
    yield f"\n### {say('Rules run (R: needed for sound)')}\n"
    yield from _table(
        ("rule", "answer", "compared", "remark"),
        (
            (f"{item.rule}{' R' * item.required}", item.outcome, item.compared, item.reason)
            for item in handover.answers
        ),
    )


def _section(title: str, items: Iterable[str]) -> Iterator[str]:
    yield f"\n### {say(title)}\n"
    lines = [f"- {text(item)}" for item in items]
    yield from lines or [say("Nothing.")]


def _table(titles: tuple[str, ...], rows: Iterable[tuple[object, ...]]) -> Iterator[str]:
    yield "| " + " | ".join(map(say, titles)) + " |"
    yield "|" + "---|" * len(titles)
    for row in rows:
        yield "| " + " | ".join(text(cell) for cell in row) + " |"
