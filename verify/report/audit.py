"""The report of a spot audit as one HTML file, from its plain document."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from verify.report.comparison_report import when
from verify.report.html import environment, style
from verify.text.language import spoken
from verify.text.message import counted, joined, say

if TYPE_CHECKING:
    from collections.abc import Mapping

    from verify.text.message import Message


FAILS = say(
    "A job fails if its files or seals were changed, if today's rules judge it worse than when it"
    " was filed, or if its drive is damaged."
)
ALL_JOBS = "all jobs"
"""The name of the one stratum, where jobs are not grouped."""


def audit_summary(audit: Mapping[str, Any]) -> Message:
    """Return what an audit found, and its bound."""
    return say(
        "{failed:,} of {drawn:,} drawn jobs failed. At {confidence:.1%} confidence, at most"
        " {most:,}"
        " of all {population:,} jobs ({share:.2%}) would fail.",
        failed=audit["unsound"],
        drawn=audit["drawn"],
        confidence=audit["confidence"],
        most=audit["at_most"],
        population=audit["population"],
        share=audit["share_at_most"],
    )


def stratum_words(name: str) -> str:
    """Return the name of a stratum: a person's or a model's, or one of ours."""
    ours = {
        ALL_JOBS: say("all jobs"),
        "direct": say("attached directly"),
        "adapter": say("through an adapter"),
        "not reported": say("not reported"),
    }
    return ours.get(name, name)


_STATES = {
    "unchanged": say("unchanged"),
    "used": say("used since"),
    "unclear": say("changed in a way that its times do not explain"),
    "damaged": say("DAMAGED"),
    "not_examined": say("could not be compared with its record"),
}
_SIDES = {"source": say("old drive"), "target": say("new drive")}


def drive_words(row: Mapping[str, Any]) -> Message:
    """Return what came of reading a drive again, as one sentence without a full stop."""
    proven = counted(
        "{count:,} content is as recorded", "{count:,} contents are as recorded", row["proven"]
    )
    state = say(
        "{drive}: {state}", drive=_SIDES.get(row["side"], say("drive")), state=_STATES[row["state"]]
    )
    told = [state, *([row["reason"]] if row["reason"] else [])]
    return joined([*told, proven if row["proven"] else say("no contents could be compared")], "; ")


def audit_html(audit: Mapping[str, Any]) -> str:
    """Return the report of an audit as an HTML document."""
    text = (
        environment()
        .get_template("audit.html")
        .render(
            audit=audit,
            css=Markup(style()),  # noqa: S704 - our own style sheet
            summary=audit_summary(audit),
            fails=FAILS,
            made=say(
                "Checked {moment} by version {version}; start value of the draw: {seed}.",
                moment=when(audit["at"]),
                version=audit["tool_version"],
                seed=audit["seed"],
            ),
            groups=say(
                "By group; {confidence:.1%} confidence for each", confidence=audit["confidence"]
            ),
            language=spoken(),
            drives=[(row["job"], drive_words(row)) for row in audit["drives"]],
            stratum_words=stratum_words,
            most=max((row["drawn"] for row in audit["months"]), default=1),
        )
    )
    return "\n".join(line for line in text.splitlines() if line.strip()) + "\n"
