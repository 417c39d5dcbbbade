"""`drivewitness rules [RULE]`: the catalogue, and one rule's page."""

import difflib
from typing import Annotated

import typer

from verify.cli.options import JsonOption
from verify.text.message import say


def rules(
    rule: Annotated[
        str | None,
        typer.Argument(metavar="CHECK", help=say("Print the page of this check, or `exclusions`.")),
    ] = None,
    *,
    json: JsonOption = False,
) -> int:
    """List the checks, or print the page of one.

    `rules exclusions` prints what may be missing or different on a good clone.
    """
    from verify.cli.output import emit, emit_drawn
    from verify.report.catalogue import (
        catalogue_rows,
        exclusion_rows,
        exclusions_text,
        print_catalogue,
        rule_text,
    )
    from verify.report.json_text import as_json
    from verify.rules.catalogue import RULES

    if rule == "exclusions":
        emit(as_json(exclusion_rows()) + "\n" if json else exclusions_text())
        return 0
    chosen = RULES if rule is None else tuple(item for item in RULES if item.slug == rule)
    if rule is not None and not chosen:
        raise _unknown(rule, [item.slug for item in RULES])
    if json:
        emit(as_json(catalogue_rows(chosen)) + "\n")
    elif rule is None:
        emit_drawn(lambda console: print_catalogue(console, chosen))
    else:
        emit(rule_text(chosen[0]))
    return 0


def _unknown(rule: str, slugs: list[str]) -> Exception:
    from verify.errors import UsageError

    near = difflib.get_close_matches(rule, slugs)
    advice = say("`rules` lists the checks.")
    if near:
        advice = say("Similar names: {names}.", names=", ".join(near))
    return UsageError(say("{rule}: there is no such check.", rule=rule), advice)
