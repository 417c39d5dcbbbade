"""`drivewitness settings`: what holds where no option says otherwise, and where it is from."""

from typing import TYPE_CHECKING, Annotated, Any

import typer

from verify.cli.options import JsonOption
from verify.errors import UsageError
from verify.text.language import translated
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console

    from verify.settings.kinds import Value
    from verify.settings.settings import Setting, Settings

_HEAD = (
    say(
        "Settings of drivewitness: an option overrides the environment, and"
        " that overrides this file."
    ),
    say("To set one, remove the # at the start of its line."),
)


def settings(
    *,
    example: Annotated[
        bool,
        typer.Option("--example", help=say("Print a settings file to start from.")),
    ] = False,
    json: JsonOption = False,
) -> int:
    """Show what is set, and where each setting comes from.

    An option of a command overrides the environment, the environment overrides the settings file,
    and that overrides the default. The file is never written: `--example` prints one.
    """
    from verify.cli.output import emit, emit_drawn
    from verify.report.json_text import as_json
    from verify.settings.settings import in_force

    if example and json:
        raise UsageError(say("--example and --json exclude each other."), say("Give one of them."))
    if example:
        emit(_example())
    elif json:
        emit(as_json(settings_document(in_force())) + "\n")
    else:
        held = in_force()
        emit_drawn(lambda console: _print(console, held))
    return 0


def settings_document(held: "Settings") -> dict[str, Any]:
    """Return what holds as a plain document."""
    from verify.settings.file import settings_places
    from verify.settings.settings import SETTINGS

    return {
        "schema": "drivewitness.settings/1",
        "file": None if held.file is None else str(held.file),
        "places": [str(place) for place in settings_places()],
        "settings": [
            {
                "name": setting.key,
                "value": _plain(value_of(setting, held)),
                "from": held.origin(setting),
                "variable": setting.variable,
                "option": setting.option,
            }
            for setting in SETTINGS
        ],
    }


def value_of(setting: "Setting", held: "Settings") -> "Value | None":
    """Return what holds of a setting: the places of archive and key also where none was set."""
    from verify.archive.default_paths import default_archive, default_key
    from verify.text.language import spoken

    if setting.name == "archive":
        return default_archive()
    if setting.name == "key":
        return default_key()
    value: Value | None = getattr(held, setting.name)
    return spoken() if setting.name == "language" and value is None else value


def _plain(value: "Value | None") -> object:
    if value is None or isinstance(value, bool):
        return value
    return list(value) if isinstance(value, tuple) else str(value)


def _print(console: "Console", held: "Settings") -> None:
    from rich.table import Table
    from rich.text import Text

    from verify.report.terminal import plain, sentence, whole
    from verify.settings.file import settings_places
    from verify.settings.settings import SETTINGS

    table = Table(box=None, padding=(0, 2, 0, 0))
    for head in (say("setting"), say("value"), say("from")):
        table.add_column(Text(translated(head), style="bold"))
    for setting in SETTINGS:
        value, origin = _shown(value_of(setting, held)), _from(setting, held)
        table.add_row(Text(setting.key), whole(value), plain(origin))
    console.print(table)
    console.print()
    for line in _places(held, tuple(map(str, settings_places()))):
        console.print(sentence(line))


def _places(held: "Settings", places: tuple[str, ...]) -> "Iterator[str]":
    if held.file is not None:
        yield say("Settings file: {file}", file=str(held.file))
    elif places:
        yield say("There is no settings file. It would be {file}.", file=places[0])
    else:
        yield say("No settings file is read: DRIVEWITNESS_SETTINGS is empty.")


def _shown(value: "Value | None") -> str:
    if value is None or value == ():
        return say("not set")
    if isinstance(value, bool):
        return say("yes") if value else say("no")
    return ", ".join(value) if isinstance(value, tuple) else str(value)


def _from(setting: "Setting", held: "Settings") -> str:
    origin = held.origin(setting)
    if origin == "environment":
        return setting.variable
    return say("settings file") if origin == "file" else say("default")


def _example() -> str:
    """Return a settings file in which nothing is set yet."""
    from verify.settings.settings import SETTINGS

    lines = [*(f"# {translated(line)}" for line in _HEAD), ""]
    table = ""
    for setting in SETTINGS:
        head, _, last = setting.key.rpartition(".")
        if head != table:
            lines.append(f"[{head}]")
            table = head
        lines.append(f"# {translated(setting.about)} ({setting.option}, {setting.variable})")
        lines.append(f"# {last} = {setting.example}\n")
    return "\n".join(lines)
