"""What no option said of a job, asked for: before anything is read, and only of a person."""

import sys

from verify.text.language import translated
from verify.text.message import say

_QUESTIONS = {
    "job": say("Job number or name (Enter: date and time)"),
    "technician": say("Technician (Enter: none)"),
    "customer": say("Customer, an alias is enough (Enter: none)"),
    "notes": say("Notes (Enter: none)"),
}


def asked_for(field: str, given: str | None, *, ask: bool) -> str | None:
    """Return what was given, or else what a person answers; nothing is asked without a terminal.

    Questions go to standard error, since standard output holds results. An empty answer, or the
    end of the input, counts as no answer.
    """
    if given is not None or not ask or sys.stdin is None or not sys.stdin.isatty():
        return given
    sys.stderr.write(f"{translated(_QUESTIONS[field])}: ")
    sys.stderr.flush()
    return sys.stdin.readline().strip() or None
