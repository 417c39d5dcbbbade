"""Every case of a rule is also said in the other languages: nothing of it may stay English."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.text.heard import names_in, untranslated
from verify.rules.rule import Rule
from verify.text.language import ENGLISH, LANGUAGES

if TYPE_CHECKING:
    from verify.rules.rule import Case, Finding, Outcome

OTHERS = [code for code in LANGUAGES if code != ENGLISH]


@pytest.fixture(autouse=True)
def said_in_other_languages(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hold whatever a rule answers in a test against every catalogue.

    What a manifest tells as plain text is a name to a rule, and may be any.
    """
    judge = Rule.__call__

    def held(rule: Rule, case: Case) -> tuple[tuple[Outcome, ...], tuple[Finding, ...]]:
        outcomes, findings = judge(rule, case)
        texts = [text for item in findings for text in (item.message, item.advice)]
        texts += [item.reason for item in outcomes if item.reason is not None]
        for code in OTHERS:
            left = {part for text in texts for part in untranslated(text, code)}
            if left:
                left -= names_in(case.source) | names_in(case.target)
            assert left == set()
        return outcomes, findings

    monkeypatch.setattr(Rule, "__call__", held)
