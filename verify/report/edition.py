"""The two editions of a report: the shop's with all names, the customer's without a file name.

Names go before anything is made from a comparison, so that no format can let one through. In
their place stands a salted digest: the shop, which keeps the comparison, finds the name again; who
has only the report cannot even try a guess, since the salt was drawn at random as the drives were
read, is kept in their manifests and so in the comparison, and is in no report.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.platforms.health import Health, HealthAnswer
from verify.report.json_text import document_json
from verify.text.message import Message, say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.manifest.header import Header, Partition
    from verify.rules.comparison_document import Comparison, FindingRow, Identity, OutcomeRow
    from verify.rules.rule import Value

_SALT_CONTEXT = "drivewitness 2025-11 names in a report"
_DIGEST_CHARACTERS = 16

# NOTE: anything that looks like a path in running text goes as well, whatever it is the name of.
# Under a user's own folder it goes on to the end of the clause, since names have spaces.
# What follows `reagentc` in advice is an option of that command.
# Lengths are bounded, so that no text of a drive makes it slow: 300 is more than a name has.
_PATH = re.compile(
    r"""(?<![^\s"'(,;=:\[{`|<>])(?<!\breagentc\s)(?:
        (?:[A-Za-z]:)?[/\\](?i:Users|home|Documents\ and\ Settings)[/\\]
          (?:[^\n"();:,.]|[:,.](?!\s|$)){1,4096}                              # a user's own
        | (?:[A-Za-z]:)?[/\\][^\s/\\"',;()]{1,300}(?:[/\\][^\s"',;()]{0,4096})?  # from a root
        | [^\s"'(,;=:\[{`|<>/\\)]{1,300}\\[^\s"',;()]{0,4096}                 # folder\file
        | [^\s"'(,;=:\[{`|<>/\\)]{1,300}(?:/[^\s"'/,;()]{1,300}){0,64}
          /[^\s"'/,;()]{0,300}\.[A-Za-z]\w{0,30}                              # folder/file.ending
        | [^\s"'(,;=:\[{`|<>/\\)]{1,300}/[^\s"'/,;()]{1,300}/[^\s"',;()]{1,4096}  # three names
    )""",
    re.VERBOSE,
)
_NAMED_FIRST = re.compile(r"(?<!\S)/.*(?=: )|(?<!\S)/.*", re.DOTALL)
"""The name in the words about what of a listing was not read: all before the last colon."""

_SHORTEST_NAME = 3
"""Shorter names are not looked for inside sentences."""


class Edition(StrEnum):
    """For whom a report is made."""

    CUSTOMER = "customer"
    SHOP = "shop"


EDITION_NAMES = {
    Edition.CUSTOMER: say("customer's edition"),
    Edition.SHOP: say("shop's edition"),
}
EDITION_WORDS = {
    Edition.CUSTOMER: say("Customer's edition: file names are replaced by digests."),
    Edition.SHOP: say(
        "Shop's edition: it contains file names of the customer; do not hand it out."
    ),
}


@dataclass(frozen=True, slots=True)
class Names:
    """What a name of a drive is called in an edition.

    `drives`: paths of the drives themselves, which a report tells anyway, and how it tells them.
    """

    edition: Edition
    salt: bytes
    known: re.Pattern[str] | None
    drives: dict[str, str] = field(default_factory=dict)

    def reference(self, path: str | None) -> str | None:
        """Return the digest that stands for a path in both editions."""
        if path is None:
            return None
        digest = blake3(path.encode("utf-8", "surrogatepass"), key=self.salt).hexdigest()
        return digest[:_DIGEST_CHARACTERS].upper()

    def path(self, path: str | None) -> str | None:
        """Return a path as this edition has it."""
        if path is None or self.edition is Edition.SHOP:
            return path
        return self._stand_in(path)

    def text(self, text: str) -> str:
        """Return running text as this edition has it: what is a name in it is replaced."""
        if self.edition is Edition.SHOP:
            return text
        if isinstance(text, Message):
            told = text.with_names(self._replaced)
            return told if self._replaced(told) == told else self._replaced(text)
        return self._replaced(text)

    def _replaced(self, text: str) -> str:
        if self.known is not None:
            text = self.known.sub(lambda found: self._stand_in(found[0]), text)
        return _PATH.sub(self._match, text)

    def value(self, value: Value) -> Value:
        """Return one of the two values of a finding as this edition has it."""
        return self.text(value) if isinstance(value, str) else value

    def _match(self, found: re.Match[str]) -> str:
        ending = "." if found[0].endswith(".") else ""
        return self._stand_in(found[0].removesuffix(".")) + ending

    def _stand_in(self, name: str) -> str:
        if name in self.drives:
            return self.drives[name]
        return f"<name {self.reference(name)}>"


def names_of(comparison: Comparison, edition: Edition) -> Names:
    """Return how an edition shows the names of a comparison; the digests are always the same."""
    secret = _secret(comparison).encode("utf-8", "surrogatepass")
    salt = blake3(secret, derive_key_context=_SALT_CONTEXT).digest()
    sides = comparison.source, comparison.target
    drives = {side.path: _identity(side).path for side in sides}
    return Names(edition, salt, _pattern(comparison), drives)


def in_edition(comparison: Comparison, names: Names) -> Comparison:
    """Return a comparison in which no text tells more than the edition may."""
    if names.edition is Edition.SHOP:
        return comparison
    manifests = comparison.manifests
    if manifests is not None:
        rows = {
            side: row.model_copy(update={"header": _header(row.header, names)})
            for side, row in (("source", manifests.source), ("target", manifests.target))
        }
        manifests = manifests.model_copy(update=rows)
    return comparison.model_copy(
        update={
            "summary": names.text(comparison.summary),
            "source": _identity(comparison.source),
            "target": _identity(comparison.target),
            "findings": tuple(_finding(row, names) for row in comparison.findings),
            "outcomes": tuple(_outcome(row, names) for row in comparison.outcomes),
            "manifests": manifests,
            "moments": tuple(row.model_copy(update={"path": None}) for row in comparison.moments),
            "later": (),
        }
    )


def _secret(comparison: Comparison) -> str:
    """Return what no report tells: both captures' salts; of older ones, all that they hold."""
    salts = [header.capture.name_salt for header in _headers(comparison)]
    return " ".join(filter(None, salts)) or document_json(comparison)


def _headers(comparison: Comparison) -> tuple[Header, ...]:
    told = comparison.manifests
    return () if told is None else (told.source.header, told.target.header)


def _pattern(comparison: Comparison) -> re.Pattern[str] | None:
    """Return what finds every name that a comparison is known to hold."""
    paths = {path for row in comparison.findings for path in (row.path, *row.examples) if path}
    told = {name for path in paths for name in _spellings(path)}
    for header in _headers(comparison):
        told |= set(_told_by(header))
    long = sorted((name for name in told if len(name) >= _SHORTEST_NAME), key=len, reverse=True)
    if not long:
        return None
    return re.compile("|".join(re.escape(name) for name in long), re.IGNORECASE)


def _spellings(path: str) -> Iterator[str]:
    """Yield a path as texts may have it: whole, in either notation, and its last name."""
    yield path
    yield path.replace("/", "\\")
    last = path.rsplit("/", 1)[-1]
    if not last.isalpha():  # a name of letters alone may be a word of the sentence
        yield last


def _told_by(header: Header) -> Iterator[str]:
    """Yield the names that a drive's header holds, and the shop's own of an image."""
    if header.drive.kind == "image" and len(re.split(r"[/\\]", header.drive.path)) > 1:
        yield header.drive.path
    yield from header.drive.mounted
    for owner in header.capture.owners:
        if owner.name and owner.what != "structure":
            yield from _spellings(owner.name)
    for reason in _reasons(header):
        for found in _NAMED_FIRST.finditer(reason):
            yield found[0]


def _reasons(header: Header) -> Iterator[str]:
    for item in header.unread:
        yield item.reason
    for partition in header.partitions:
        for part in partition.unread:
            yield part.reason


def _identity(drive: Identity) -> Identity:
    """Leave of an image its own name, and not the folders of the shop that it lies in."""
    if drive.kind != "image":
        return drive
    return drive.model_copy(update={"path": re.split(r"[/\\]", drive.path)[-1]})


def _finding(row: FindingRow, names: Names) -> FindingRow:
    return row.model_copy(
        update={
            "path": names.path(row.path),
            "source": names.value(row.source),
            "target": names.value(row.target),
            "message": names.text(row.message),
            "advice": names.text(row.advice),
            "examples": (),
        }
    )


def _outcome(row: OutcomeRow, names: Names) -> OutcomeRow:
    return row.model_copy(update={"reason": row.reason and names.text(row.reason)})


def _header(header: Header, names: Names) -> Header:
    unread = tuple(
        item.model_copy(update={"what": names.text(item.what), "reason": names.text(item.reason)})
        for item in header.unread
    )
    partitions = tuple(_partition(item) for item in header.partitions)
    update = {"unread": unread, "partitions": partitions, "health": _health(header.health, names)}
    return header.model_copy(update=update)


def _health(health: Health | None, names: Names) -> Health | None:
    """Return a drive's health, which is its owner's to know; a reason may hold a path."""
    if health is None:
        return None

    def told(answer: HealthAnswer) -> HealthAnswer:
        return (
            answer if answer.reason is None else replace(answer, reason=names.text(answer.reason))
        )

    after = None if health.after is None else told(health.after)
    return Health(before=told(health.before), after=after)


def _partition(partition: Partition) -> Partition:
    """Leave of a view's path its last name, as of an image's."""
    if partition.view is None:
        return partition
    path = re.split(r"[/\\]", partition.view.path)[-1]
    return partition.model_copy(update={"view": partition.view.model_copy(update={"path": path})})
