"""What a rule says in any test: every language has it, and its advice can be followed."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from tests.text.heard import names_in, untranslated
from verify.rules.rule import Rule
from verify.text.language import ENGLISH, LANGUAGES

if TYPE_CHECKING:
    from verify.rules.rule import Case, Finding, Outcome

OTHERS = [code for code in LANGUAGES if code != ENGLISH]


_OLD_IS_NOT_WHOLE = re.compile(
    r"as on the old drive|on the old drive it (?!is intact)|on neither drive"
    r"|old drive does not have|could not be read on (the old|both|either)"
)
"""What says that the old drive has the fault as well, or has no good copy."""

_TAKES_FROM_OLD = re.compile(r"^(Copy|Clone)|\b(copy|clone) (it|them|this|again)\b")
_AGAIN_OTHERWISE = re.compile(
    r"starting (this|each) partition|Repartition|large enough|same logical|Start"
)
"""To clone once more in another way, which does not bring the same fault along."""


def follows(message: str, advice: str) -> bool:
    """Whether advice takes nothing from the old drive that the message says is not whole there."""
    if not _OLD_IS_NOT_WHOLE.search(message) or _AGAIN_OTHERWISE.search(advice):
        return True
    return not _TAKES_FROM_OLD.search(advice)


@pytest.fixture(autouse=True)
def said_in_other_languages(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hold whatever a rule answers in a test against every catalogue.

    What a manifest tells as plain text is a name to a rule, and may be any.
    """
    judge = Rule.__call__

    def held(rule: Rule, case: Case) -> tuple[tuple[Outcome, ...], tuple[Finding, ...]]:
        outcomes, findings = judge(rule, case)
        for item in findings:
            assert follows(item.message, item.advice), (item.message, item.advice)
        texts = [text for item in findings for text in (item.message, item.advice)]
        texts += [item.reason for item in outcomes if item.reason is not None]
        for code in OTHERS:
            left = {part for text in texts for part in untranslated(text, code)}
            if left:
                left -= names_in(case.source) | names_in(case.target)
            assert left == set()
        return outcomes, findings

    monkeypatch.setattr(Rule, "__call__", held)
