"""What the library that reads arguments says by itself, in our sentences and languages.

NOTE: it has no languages of its own (Typer 0.15 to 0.26): what it prints is recognised by its
English.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from verify.text.language import ENGLISH, _, spoken
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.text.message import Message

_HELP: tuple[tuple[str, Message], ...] = (
    (r"^Usage: ", say("Usage: ")),
    (r"^Arguments:$", say("Arguments:")),
    (r"^Options:$", say("Options:")),
    (r"^Commands:$", say("Commands:")),
    (r"Show this message and exit\.", say("Show this help.")),
    (
        r"Install completion for the current shell\.",
        say("Let Tab complete commands and options in this shell."),
    ),
    (
        r"Show completion for the current shell, to copy it or\s+customize the installation\.",
        say("Print the script for that."),
    ),
    (r"\[default:", say("[default:")),
    (r"\brequired\]", say("required]")),
    (r"\[OPTIONS\]", say("[OPTIONS]")),
    (r"COMMAND \[ARGS\]", say("COMMAND [ARGS]")),
)
"""Words of a help page, as patterns, and ours. Lines are filled before, so none may be much"
" longer."""


def help_in_language(page: str) -> str:
    """Return a help page with the library's own words in the language that is printed in."""
    page = re.sub(r"(?<= )\{([A-Z|]+)\}", r"\1", page)  # some versions put an argument in braces,
    page = re.sub(r" <(?:str|list\[str\])> ", lambda it: " " * len(it[0]), page)  # and its type
    for pattern, message in _HELP if spoken() != ENGLISH else ():
        page = re.sub(pattern, _(message.template), page, flags=re.MULTILINE)
    return page


_INVALID = r"Invalid value for '(.+?)': (?:Value error, )?"

_WRONG_USE: tuple[tuple[str, Callable[..., Message]], ...] = (
    (
        r"Missing (?:argument|option|parameter) '(.+?)'\..*",
        lambda it: say("{it} is missing.", it=it),
    ),
    (r"Missing command\.", lambda: say("A command is missing.")),
    (r"No such command '(.+)'\..*", lambda it: say('There is no command "{it}".', it=it)),
    (r"No such option: (\S+).*", lambda it: say("There is no option {it}.", it=it)),
    (r"Option '(.+)' requires an argument\.", lambda it: say("{it} needs a value.", it=it)),
    (r"Option '(.+)' does not take a value\.", lambda it: say("{it} takes no value.", it=it)),
    (
        r"Got unexpected extra arguments?(?:\(s\))? \((.+)\)\.?",
        lambda it: say('"{it}" is more than this command takes.', it=it),
    ),
    (
        rf"{_INVALID}'?(.*?)'? is not (?:one of|any of) (.+?)\.?",
        lambda at, it, known: say(
            '{at}: "{it}" is not known. Use one of {known}.', at=at, it=it, known=known
        ),
    ),
    (
        rf"{_INVALID}(?:Input should be|.+ is not) a valid (?:int|float|number).*",
        lambda at: say("{at}: a number is needed.", at=at),
    ),
    (
        rf"{_INVALID}(?:Input should be greater than or equal to |.+ in the range x>=)(\d+)\.?",
        lambda at, least: say("{at}: must be at least {least}.", at=at, least=least),
    ),
    (
        rf"{_INVALID}(?:Input should be less than or equal to |.+ in the range .*x<=)(\d+)\.?",
        lambda at, most: say("{at}: must be at most {most}.", at=at, most=most),
    ),
)
"""What the library refuses, as patterns, and how we say it."""


def wrong_use(text: str) -> str:
    """Return what is wrong with the arguments; words that we do not know stay the library's."""
    line = " ".join(text.split())
    for pattern, made in _WRONG_USE:
        if found := re.fullmatch(pattern, line):
            return made(*found.groups())
    return line
