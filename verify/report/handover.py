"""The report that goes with the handover, in plain data: what every written format is made from.

It is made from a comparison alone (which tells both manifests' headers), so that it can be made
again at any time, byte for byte the same. Nothing of the hour or the machine gets into it.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from blake3 import blake3

from verify.errors import ComparisonForeign
from verify.manifest.header import Scope, scope_of_both
from verify.platforms.health import Health
from verify.report.comparison_report import NOT_TOLD, Report, build_report, value_words
from verify.report.edition import EDITION_WORDS, Edition, in_edition, names_of
from verify.report.handover_words import ANSWERS, CHECKLIST, NEVER_CLONED, SIGNATURES, WIPE_FIELDS
from verify.report.image_words import image_words, notes_words, verified_words
from verify.report.json_text import as_json
from verify.report.letterhead import NO_LETTERHEAD, Letterhead
from verify.report.picture import Picture, draw
from verify.report.places_ruler import PlacePicture, draw_places
from verify.report.rule_page import RulePage, rule_pages
from verify.rules.comparison_document import Comparison
from verify.rules.one_partition import speaks_of_wiping
from verify.rules.rule import Level, Result
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.manifest.header import Header
    from verify.rules.comparison_document import FindingRow

DRIVE_PAIR = "drive-pair"
"""The rule that says whether these are the right drives at all."""

REPORT_SCHEMA = "drivewitness.report/1"


@dataclass(frozen=True, slots=True)
class Told:
    """One finding: where, the sentence, both values, and the digest that stands for its name.

    `examples`: paths of a few of many files; the customer's edition has none.
    """

    where: str
    path: str | None
    reference: str | None
    message: str
    old: str | None
    new: str | None
    examples: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Action:
    """Findings of one level and rule that ask for the same: what to do, why, and each of them."""

    level: Level
    rule: str
    advice: str
    why: str
    findings: tuple[Told, ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """What a rule answered, for the list of the rules run."""

    rule: str
    required: bool
    outcome: str
    compared: int
    reason: str


@dataclass(frozen=True, slots=True)
class Handover:
    """Everything the written report says.

    `document`: the comparison as this edition has it. `references`: a digest for each finding's
    path, in their order. `identified`: per side, how the drive was recognised. `seal`: that
    of the archive it was filed in, the newest then. `shop`: who hands it over.
    """

    edition: Edition
    report: Report
    document: Comparison
    references: tuple[str | None, ...]
    picture: Picture
    places: PlacePicture
    actions: tuple[Action, ...]
    answers: tuple[Answer, ...]
    pages: tuple[RulePage, ...]
    identified: tuple[str, str]
    manifest_digests: tuple[str, str]
    wipe_fields: tuple[tuple[str, str], ...]
    edition_words: str
    health: tuple[Health | None, Health | None]
    scope: Scope = "drive"
    seal: str | None = None
    shop: Letterhead = NO_LETTERHEAD
    digest: str = ""

    @property
    def of_drives(self) -> bool:
        """Whether it may speak of wiping a drive: not where one partition only was compared."""
        return self.scope != "partition"

    @property
    def checklist(self) -> tuple[str, ...]:
        """What is to be checked off; nothing of a wipe where there is no record of one."""
        return tuple(item for item in CHECKLIST if self.wipe_fields or not speaks_of_wiping(item))

    @property
    def against(self) -> tuple[Action, ...]:
        """Problems found on the new drive: all findings but notes."""
        return tuple(item for item in self.actions if item.level is not Level.NOTE)

    @property
    def tool_version(self) -> str:
        """The version that judged."""
        return self.document.tool.version


def build_handover(
    comparison: Comparison,
    edition: Edition,
    *,
    seal: str | None = None,
    shop: Letterhead | None = None,
) -> Handover:
    """Return the report of a comparison in an edition.

    `seal` of an archive is printed on it, and `shop` in its head.

    Raises:
        ComparisonForeign: it does not tell its manifests (an older version made it).
    """
    names = names_of(comparison, edition)
    document = in_edition(comparison, names)
    manifests = document.manifests
    if manifests is None:
        raise ComparisonForeign(say("the comparison"), say("it does not name its manifests"))
    sides = manifests.source.header, manifests.target.header
    scope = scope_of_both(*sides)
    pages = rule_pages()
    required = frozenset(slug for slug, page in pages.items() if page.required)
    references = tuple(names.reference(row.path) for row in comparison.findings)
    found = {row.rule for row in document.findings}
    picture = draw(document, sides)
    handover = Handover(
        edition=edition,
        report=build_report(document, sides, required, for_shop=edition is Edition.SHOP),
        document=document,
        references=references,
        picture=picture,
        places=draw_places(document, sides, picture),
        actions=tuple(_actions(document, references, scope)),
        answers=tuple(_answers(document, required)),
        pages=tuple(page for slug, page in pages.items() if slug in found and scope != "partition"),
        identified=(_identified(sides[0]), _identified(sides[1])),
        manifest_digests=(manifests.source.digest, manifests.target.digest),
        wipe_fields=tuple(_wipe_fields(document)) if _is_pair(document, scope) else (),
        edition_words=EDITION_WORDS[edition],
        health=(sides[0].health, sides[1].health),
        scope=scope,
        seal=seal,
        shop=shop or NO_LETTERHEAD,
    )
    return _with_digest(handover)


def report_document(handover: Handover) -> dict[str, Any]:
    """Return the report as a plain document: the comparison's fields, and the handover's own."""
    shown = handover.document.model_dump(mode="json", by_alias=True, exclude={"manifests"})
    for row, reference in zip(shown["findings"], handover.references, strict=True):
        row["path_digest"] = reference
    report = handover.report
    return shown | {
        "schema": REPORT_SCHEMA,
        "edition": handover.edition.value,
        "shop": handover.shop.document,
        "manifest_digests": dict(zip(("source", "target"), handover.manifest_digests, strict=True)),
        "health": {
            name: None if health is None else asdict(health)
            for name, health in zip(("source", "target"), handover.health, strict=True)
        },
        "partitions": [
            {
                "source": line.old,
                "what": line.what,
                "source_size": line.old_size,
                "target": line.new,
                "target_size": line.new_size,
                "became": line.became,
                "heaviest": line.weight,
            }
            for line in report.partitions
        ],
        "gaps": [
            {"what": gap.what, "reason": gap.reason, "needed": gap.needed} for gap in report.gaps
        ],
        "evidence_words": list(report.evidence),
        "next_steps": list(report.next_steps),
        "cautions": list(report.cautions),
        "never_cloned": NEVER_CLONED if handover.of_drives else None,
        "checklist": [{"check": text, "done": None} for text in handover.checklist],
        "signatures": dict.fromkeys(SIGNATURES),
        "wipe_record": {name: None for name, _ in handover.wipe_fields},
        "job_seal": handover.seal,
        "report_digest": handover.digest,
    }


def _with_digest(handover: Handover) -> Handover:
    """Give a report the BLAKE3 of its document in which the digest itself is empty."""
    text = as_json(report_document(handover))
    return replace(handover, digest=blake3(text.encode("ascii")).hexdigest())


def _is_pair(document: Comparison, scope: Scope) -> bool:
    """Whether the two are whole drives that belong together, as far as that was judged.

    Comparisons of older versions did not ask.
    """
    answers = {row.outcome for row in document.outcomes if row.rule == DRIVE_PAIR}
    return scope == "drive" and answers <= {Result.SAME}


def _actions(
    document: Comparison, references: tuple[str | None, ...], scope: Scope
) -> Iterator[Action]:
    """Yield the findings, the heaviest first, those of one rule and advice together.

    What says that these are the wrong drives stands before all others.
    """
    together: dict[tuple[Level, str, str], list[Told]] = {}
    for row, reference in zip(document.findings, references, strict=True):
        key = row.level, row.rule, row.advice
        together.setdefault(key, []).append(_told(row, reference))
    pages = rule_pages()
    order = sorted(together, key=lambda key: (key[1] != DRIVE_PAIR, key[0].weight))
    for level, rule, advice in order:
        why = pages[rule].why if rule in pages else ""
        if scope == "partition" and speaks_of_wiping(why):
            why = ""
        yield Action(level, rule, advice, why, tuple(together[level, rule, advice]))


def _told(row: FindingRow, reference: str | None) -> Told:
    return Told(
        where=say("whole drive")
        if row.partition is None
        else say("partition {number}", number=row.partition),
        path=row.path,
        reference=reference,
        message=row.message,
        old=value_words(row, row.source),
        new=value_words(row, row.target),
        examples=row.examples,
    )


def _answers(document: Comparison, required: frozenset[str]) -> Iterator[Answer]:
    for row in document.outcomes:
        yield Answer(
            row.rule, row.rule in required, ANSWERS[row.outcome], row.compared, row.reason or ""
        )


def _identified(header: Header) -> str:
    """Say how a drive was recognised."""
    drive = header.drive
    if drive.image is not None:
        return say(
            "an image ({image}): by its path and the identifier in its partition table. Verified:"
            " {verified}. {notes}",
            image=image_words(drive.image),
            verified=verified_words(drive.image),
            notes=notes_words(drive.image),
        )
    if drive.kind == "image":
        return say("an image file: by its path and the identifier in its partition table")
    if drive.serial is None:
        return say("no serial number was reported: by the identifier in its partition table only")
    giver = (
        say("the adapter (perhaps its own)")
        if drive.serial_source == "adapter"
        else say("the drive itself")
    )
    world = say(" and its world-wide name {wwn}", wwn=drive.wwn) if drive.wwn else ""
    return say("by the serial number that {giver} reported{world}", giver=giver, world=world)


def _wipe_fields(document: Comparison) -> Iterator[tuple[str, str]]:
    """Yield (field, remark); what is known of the old drive is a remark, never filled in."""
    for name, remark in WIPE_FIELDS:
        model = document.source.model or NOT_TOLD
        serial = document.source.serial or NOT_TOLD
        known = {"Model": model, "Serial number, read again": serial}
        yield (
            name,
            say("the old drive's in this report: {known}", known=known[str(name)])
            if str(name) in known
            else remark,
        )
