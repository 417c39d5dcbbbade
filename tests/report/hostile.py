"""Texts that somebody may have written on a drive to make a report do something."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.report.documents import OLD, comparison, finding, header, partition
from verify.rules.rule import Level

if TYPE_CHECKING:
    from verify.rules.comparison_document import Comparison

HOSTILE = (
    "<script>alert(1)</script>",
    "'\"><img src=x onerror=alert(1)>",
    "</style></svg></title><b>out</b>",
    "&lt;b&gt; &amp; &#x3c;",
    "{{ 7 * 7 }} {% raw %}",
    "[link](https://example.invalid/) ![i](https://example.invalid/i.png)",
    "https://example.invalid/ www.example.invalid a@example.invalid",
    "`code` *bold* _it_ ~~gone~~ | cell | <https://example.invalid>",
    "# heading",
    "1. item",
    "=1+1",
    '@SUM(A1)","x',
    "photo\u202egpj.exe",
    "\u05d0\u05d1\u05d2 right to left \u2067x\u2069",
    "nul\x00bell\x07 \x1b[31mred\x1b]0;title\x07",
    "line\r\nbreak\u2028and\u2029more",
    "url(https://example.invalid/x) @import 'https://example.invalid'",
    "%s %n {0} \\x41 \\N{BULLET}",
    "x" * 10_000,
)

ACTING = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})
"""Categories of Unicode whose signs act: controls, formats (bidi overrides among them), surrogates,
private ones, separators of lines and paragraphs."""


def hostile_comparison() -> Comparison:
    """Return a comparison that has a hostile text wherever a drive's text can get to."""
    rows = tuple(
        finding(
            "file-missing",
            Level.STOP,
            partition=3,
            path=f"/Users/{text}",
            message=f"{text} is missing.",
            values=(text, f"{text} too"),
        )
        for text in HOSTILE
    )
    sides = tuple(
        header(path, tuple(partition(1 + i, 90_000_000, label=t) for i, t in enumerate(HOSTILE)))
        for path in ("old.img", "new.img")
    )
    drive = OLD.drive.model_copy(update={"model": HOSTILE[0], "serial": HOSTILE[1]})
    old = sides[0].model_copy(update={"drive": drive})
    document = comparison("stop", rows, (old, sides[1]))
    outcome = document.outcomes[2].model_copy(update={"reason": " ".join(HOSTILE)})
    return document.model_copy(update={"outcomes": (*document.outcomes, outcome)})
