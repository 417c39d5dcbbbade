"""The report of a spot audit as one HTML file, from its plain document."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from verify.report.html import environment, style

if TYPE_CHECKING:
    from collections.abc import Mapping


def audit_summary(audit: Mapping[str, Any]) -> str:
    """Return what an audit found, and its bound, as one sentence."""
    return (
        f"{audit['unsound']:,} of {audit['drawn']:,} drawn jobs are unsound: at most"
        f" {audit['at_most']:,} of all {audit['population']:,}"
        f" ({audit['share_at_most']:.2%}) are, at {audit['confidence']:.1%} confidence."
    )


_STATES = {
    "unchanged": "as it was recorded",
    "used": "used since",
    "unclear": "changed in a way that its times do not explain",
    "damaged": "DAMAGED",
    "not_examined": "could not be held against the record",
}


def drive_words(row: Mapping[str, Any]) -> str:
    """Return what came of reading a drive again, as one sentence without a full stop."""
    side = {"source": "old drive", "target": "new drive"}.get(row["side"], "drive")
    count = row["proven"]
    proven = f"; {count:,} contents are as recorded" if count else "; no contents were proven"
    why = f" ({row['reason']})" if row["reason"] else ""
    return f"{side} {_STATES[row['state']]}{why}{proven}"


def audit_html(audit: Mapping[str, Any]) -> str:
    """Return the report of an audit as an HTML document."""
    text = (
        environment()
        .get_template("audit.html")
        .render(
            audit=audit,
            css=Markup(style()),  # noqa: S704 - our own style sheet
            summary=audit_summary(audit),
            drives=[(row["job"], drive_words(row)) for row in audit["drives"]],
            most=max((row["drawn"] for row in audit["months"]), default=1),
        )
    )
    return "\n".join(line for line in text.splitlines() if line.strip()) + "\n"
