"""The two editions of a report: the shop's with all names, the customer's without a file name.

Names go before anything is made from a comparison, so that no format can let one through. In
their place stands a salted digest: the shop, which keeps the comparison, finds the name again; who
has only the report cannot even try a guess, since the salt is made from all that the comparison
holds and the report does not tell (boot sectors' digests, the host, the other names).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.report.json_text import document_json

if TYPE_CHECKING:
    from verify.manifest.model import Header
    from verify.rules.model import Value
    from verify.rules.result import Comparison, FindingRow, Identity, OutcomeRow

_SALT_CONTEXT = "drivewitness 2025-11 names in a report"
_DIGEST_CHARACTERS = 16

# NOTE: anything that looks like a path in running text goes as well, whatever it is the name of.
# Lengths are bounded, so that no text of a drive makes it slow: 300 is more than a name has.
_PATH = re.compile(
    r"""(?<![^\s"'(,;=:\[{`|<>])(?:
        (?:[A-Za-z]:)?[/\\][^\s/\\"',;()]{1,300}(?:[/\\][^\s"',;()]{0,4096})?  # from a root
        | [^\s"'(,;=:\[{`|<>/\\)]{1,300}\\[^\s"',;()]{0,4096}                 # folder\file
        | [^\s"'(,;=:\[{`|<>/\\)]{1,300}(?:/[^\s"'/,;()]{1,300}){0,64}
          /[^\s"'/,;()]{0,300}\.[A-Za-z]\w{0,30}                              # folder/file.ending
        | [^\s"'(,;=:\[{`|<>/\\)]{1,300}/[^\s"'/,;()]{1,300}/[^\s"',;()]{1,4096}  # three names
    )""",
    re.VERBOSE,
)
_SHORTEST_NAME = 3
"""Shorter names are not looked for inside sentences."""


class Edition(StrEnum):
    """For whom a report is made."""

    CUSTOMER = "customer"
    SHOP = "shop"


EDITION_WORDS = {
    Edition.CUSTOMER: "Customer's edition: file names are replaced by digests.",
    Edition.SHOP: "Shop's edition: it holds file names of the customer, and stays in the shop.",
}


@dataclass(frozen=True, slots=True)
class Names:
    """What a name of a drive is called in an edition."""

    edition: Edition
    salt: bytes
    known: re.Pattern[str] | None

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
        return f"<name {self.reference(name)}>"


def names_of(comparison: Comparison, edition: Edition) -> Names:
    """Return how the names of a comparison are told; the same one gives the same digests."""
    document = document_json(comparison).encode("ascii")
    salt = blake3(document, derive_key_context=_SALT_CONTEXT).digest()
    return Names(edition, salt, _pattern(comparison.findings))


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
        }
    )


def _pattern(findings: tuple[FindingRow, ...]) -> re.Pattern[str] | None:
    """Return what finds every path that a finding is about, and the last name of each."""
    told: set[str] = set()
    for row in findings:
        if row.path:
            last = row.path.rsplit("/", 1)[-1]
            told |= {row.path, row.path.replace("/", "\\")}
            if not last.isalpha():  # a name of letters alone may be a word of the sentence
                told.add(last)
    long = sorted((name for name in told if len(name) >= _SHORTEST_NAME), key=len, reverse=True)
    return re.compile("|".join(re.escape(name) for name in long)) if long else None


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
        }
    )


def _outcome(row: OutcomeRow, names: Names) -> OutcomeRow:
    return row.model_copy(update={"reason": row.reason and names.text(row.reason)})


def _header(header: Header, names: Names) -> Header:
    unread = tuple(
        item.model_copy(update={"what": names.text(item.what), "reason": names.text(item.reason)})
        for item in header.unread
    )
    return header.model_copy(update={"unread": unread})
