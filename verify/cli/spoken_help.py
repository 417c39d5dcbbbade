"""The help of a command, in the language that is printed in; and `--lang`, which each takes."""

from __future__ import annotations

import copy
import functools
import inspect
import textwrap
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, get_args

from typer.core import TyperCommand, TyperGroup
from typer.models import ParameterInfo

from verify.cli.argument_words import help_in_language
from verify.cli.options import LangOption
from verify.text.language import translated
from verify.text.message import Message

if TYPE_CHECKING:
    from collections.abc import Callable

    Code = TypeVar("Code", bound=int | None)

_LANG = "lang"

_HINT_CHARACTERS = 60


class SpokenCommand(TyperCommand):
    """A command whose help page is in one language, the library's words included."""

    def shell_complete(self, ctx: Any, incomplete: str) -> list[Any]:
        """Return what a shell may complete a word to."""
        return _with_short_hints(super().shell_complete(ctx, incomplete))

    def get_help(self, ctx: Any) -> str:
        """Return the help page."""
        return help_in_language(super().get_help(ctx))


class SpokenGroup(TyperGroup):
    """A group of commands, likewise."""

    def shell_complete(self, ctx: Any, incomplete: str) -> list[Any]:
        """Return what a shell may complete a word to."""
        return _with_short_hints(super().shell_complete(ctx, incomplete))

    def get_help(self, ctx: Any) -> str:
        """Return the help page."""
        return help_in_language(super().get_help(ctx))


def _with_short_hints(items: list[Any]) -> list[Any]:
    """Return completions whose descriptions are a line of plain text.

    NOTE: the library breaks long ones into lines, which fish takes for words to choose from, and
    takes brackets for markup.
    """
    for item in items:
        hint = (item.help or "").partition("  [")[0].replace("`", "")
        item.help = textwrap.shorten(hint, _HINT_CHARACTERS, placeholder=" …")
    return items


def paragraphs(command: Callable[..., object]) -> list[str]:
    """Return what the help of a command says, a paragraph each: its docstring."""
    text = inspect.cleandoc(command.__doc__ or "")
    return [" ".join(part.split()) for part in text.split("\n\n") if part.strip()]


def with_spoken_help(command: Callable[..., Code]) -> Callable[..., Code]:
    """Return a command as Typer is to see it: help in the language printed in, and `--lang`.

    Who decides on the language is `language_for`; the option is read there.
    """
    parameters = inspect.signature(command, eval_str=True).parameters.values()
    said = [_said(parameter) for parameter in parameters]
    takes_lang = any(parameter.name == _LANG for parameter in said)
    if not takes_lang:
        kind = inspect.Parameter.KEYWORD_ONLY
        lang = inspect.Parameter(_LANG, kind, default=None, annotation=LangOption)
        said.append(_said(lang))

    @functools.wraps(command)
    def spoken(**given: object) -> Code:
        if not takes_lang:
            given.pop(_LANG)
        return command(**given)

    spoken.__doc__ = "\n\n".join(translated(Message(part)) for part in paragraphs(command))
    spoken.__signature__ = inspect.Signature(said)  # type: ignore[attr-defined]
    spoken.__annotations__ = {parameter.name: parameter.annotation for parameter in said}
    return spoken


def help_of(parameter: inspect.Parameter) -> str | None:
    """Return what help says of a parameter; `None`: nothing."""
    return next((info.help for info in _infos(parameter)), None)


def _said(parameter: inspect.Parameter) -> inspect.Parameter:
    """Return a parameter whose help is in the language that is printed in."""
    kind, *_ = get_args(parameter.annotation) or (parameter.annotation,)
    infos = [copy.copy(info) for info in _infos(parameter)]
    for info in infos:
        info.help = translated(info.help or "")
    return parameter.replace(annotation=Annotated[kind, *infos]) if infos else parameter


def _infos(parameter: inspect.Parameter) -> list[Any]:
    metadata = getattr(parameter.annotation, "__metadata__", ())
    return [info for info in metadata if isinstance(info, ParameterInfo)]
