"""The manual page, in man's own macros (man(7)), from the commands' help and README.md."""

from __future__ import annotations

import inspect
import re
from enum import StrEnum
from typing import TYPE_CHECKING, Any, get_args

from verify.cli.app import COMMANDS, GROUPS, PROGRAM, TRACEBACK_VARIABLE, all_commands
from verify.cli.spoken_help import paragraphs, with_spoken_help
from verify.settings.file import FILE_VARIABLE
from verify.settings.settings import SETTINGS
from verify.version import __version__

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

_OF_THE_LIBRARY = (
    ("--install-completion", "Let Tab complete commands and options in this shell."),
    ("--show-completion", "Print the script for that."),
    ("--help", "Show the help of the program, or of a command."),
)

_VARIABLES = (
    *((setting.variable, setting.about) for setting in SETTINGS),
    (FILE_VARIABLE, "Another settings file; set to nothing, none is read."),
    (TRACEBACK_VARIABLE, "Set to 1, an error in this program says where it happened."),
    ("TMPDIR", "The folder for temporary files; never on a drive that is read."),
)


def man_page(readme: Path) -> str:
    """Return drivewitness.1; exit codes and cautions are README.md's."""
    text = readme.read_text(encoding="utf-8")
    program, *_ = all_commands()
    first, *more = paragraphs(program)
    lines = [
        r".\" Written by `python -m docs.generate`.",
        f'.TH {PROGRAM.upper()} 1 "" "{PROGRAM} {__version__}" "User Commands"',
        *(".SH NAME", f"{PROGRAM} \\- {plain(first[0].lower() + first[1:].rstrip('.'))}"),
        *(".SH SYNOPSIS", f".B {PROGRAM}", r"[\fIOPTIONS\fR] \fICOMMAND\fR [\fIARGS\fR]"),
        ".SH DESCRIPTION",
        *_filled([first, *more]),
        *(".SH OPTIONS", *_options(program)),
        *(line for name, about in _OF_THE_LIBRARY for line in (".TP", _bold(name), about)),
        ".SH COMMANDS",
    ]
    for command in COMMANDS:
        lines += _command(command, command.__name__)
    for group, (about, commands) in GROUPS.items():
        lines += [f'.SS "{PROGRAM} {group}"', *_filled([about])]
        for name, command in commands.items():
            lines += _command(command, f"{group} {name}")
    lines += [".SH EXIT STATUS", *_exits(text), ".SH ENVIRONMENT"]
    for name, words in _VARIABLES:
        lines += [".TP", f".B {name}", plain(words)]
    lines += [".SH CAUTIONS"]
    for caution in _bullets(text, "Cautions"):
        lines += [r".IP \(bu 2", _marked(caution)]
    return "\n".join(lines) + "\n"


def _command(command: Callable[..., object], name: str) -> Iterator[str]:
    """Yield a command's part."""
    parameters = _parameters(command)
    arguments = [(one, info) for one, info in parameters if _is_argument(info)]
    words = "".join(f" {plain(info.metavar)}" for _, info in arguments)
    yield f'.SS "{PROGRAM} {name}{words}"'
    yield from _filled(paragraphs(command))
    for one, info in arguments:
        yield from (".TP", rf"\fI{plain(info.metavar)}\fR", _marked(_help(one, info)))
    yield from _options(command)


def _options(command: Callable[..., object]) -> Iterator[str]:
    for one, info in _parameters(command):
        if not _is_argument(info):
            names = ", ".join(map(_bold, _names(one, info)))
            yield from (".TP", names + _value(one, info), _marked(_help(one, info)))


def _parameters(command: Callable[..., Any]) -> list[tuple[inspect.Parameter, Any]]:
    """Return what a command takes, each with its Typer declaration."""
    taken = inspect.signature(with_spoken_help(command)).parameters.values()
    return [(one, one.annotation.__metadata__[0]) for one in taken]


def _is_argument(info: Any) -> bool:
    return bool(type(info).__name__ == "ArgumentInfo")


def _names(parameter: inspect.Parameter, info: Any) -> list[str]:
    # NOTE: beside `Annotated` the first name stands where a default would.
    given = [name for name in (info.default, *(info.param_decls or ())) if isinstance(name, str)]
    names = [part for name in given for part in name.split("/")]
    return sorted(names, key=len) or [f"--{parameter.name.replace('_', '-')}"]


def _value(parameter: inspect.Parameter, info: Any) -> str:
    """Return what follows the name of an option."""
    for one in _types(get_args(parameter.annotation)[0]):
        if one is bool:
            return ""
        if isinstance(one, type) and issubclass(one, StrEnum):
            return " " + "|".join(plain(member.value) for member in one)
    return rf" \fI{plain(info.metavar or 'VALUE')}\fR"


def _types(kind: Any) -> Iterator[Any]:
    """Yield a type, and those it is put together of."""
    yield kind
    for part in get_args(kind):
        yield from _types(part)


def _help(parameter: inspect.Parameter, info: Any) -> str:
    """Return what help says of a parameter, with its default where the text has none."""
    text = " ".join((info.help or "").split())
    default = getattr(parameter.default, "value", parameter.default)
    if isinstance(default, bool) or "[default:" in text:
        return text
    return f"{text} [default: {default}]" if isinstance(default, str | int | float) else text


def _filled(paragraphs: Iterable[str]) -> Iterator[str]:
    for paragraph in paragraphs:
        yield from (".PP", _marked(paragraph))


def _exits(text: str) -> Iterator[str]:
    for code, meaning in re.findall(r"^\| (\d+) \| (.*) \|$", text, re.MULTILINE):
        yield from (".TP", f".B {code}", _marked(meaning))


def _bullets(text: str, heading: str) -> list[str]:
    section = text.partition(f"\n## {heading}\n")[2].partition("\n## ")[0]
    return [" ".join(part.split()) for part in section.strip().removeprefix("- ").split("\n- ")]


def _marked(text: str) -> str:
    """Return a line with Markdown's code and stress in bold."""
    return re.sub(r"(\\\(ga|\*\*)(.+?)\1", r"\\fB\2\\fR", plain(text))


def _bold(name: str) -> str:
    return rf"\fB{plain(name)}\fR"


def plain(text: str) -> str:
    """Return text that man prints as it is: no line of it is a request, no letter an escape."""
    text = text.replace("\\", r"\e").replace("-", r"\-").replace('"', r"\(dq")
    text = text.replace("'", r"\(aq").replace("`", r"\(ga")
    text = "".join(one if one.isascii() else f"\\[u{ord(one):04X}]" for one in text)
    return rf"\&{text}" if text.startswith(".") else text
