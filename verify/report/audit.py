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


def audit_html(audit: Mapping[str, Any]) -> str:
    """Return the report of an audit as an HTML document."""
    text = (
        environment()
        .get_template("audit.html")
        .render(
            audit=audit,
            css=Markup(style()),  # noqa: S704 - our own style sheet
            summary=audit_summary(audit),
            most=max((row["drawn"] for row in audit["months"]), default=1),
        )
    )
    return "\n".join(line for line in text.splitlines() if line.strip()) + "\n"
