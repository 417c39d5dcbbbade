"""The settings: which there are, and what holds of each in a run.

A command's option goes before the environment, that before the file, and that before the default.
Nothing here writes, and nothing that is read here is run.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

from verify.errors import UsageError, WitnessError
from verify.settings.file import read_settings_file
from verify.settings.kinds import (
    Language,
    NotOfKind,
    OneOf,
    Place,
    SettingKind,
    SomeOf,
    Words,
    YesNo,
)
from verify.text.language import LANGUAGES
from verify.text.message import Message, say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.settings.kinds import Value

DEPTHS = ("layout", "sample", "full")
FORMATS = ("html", "pdf", "json", "md", "csv")
PAPERS = ("a4", "letter")

Origin = Literal["environment", "file", "default"]


@dataclass(frozen=True)
class Setting:
    """One setting: its `key` in the file (`table.key`), and the option that goes before it."""

    key: str
    option: str
    kind: SettingKind
    about: Message
    example: str
    """What the key may be set to, as TOML."""

    @property
    def name(self) -> str:
        """Its field of `Settings`."""
        return self.key.replace(".", "_")

    @property
    def variable(self) -> str:
        """The variable of the environment that goes before the file."""
        return f"DRIVEWITNESS_{self.name.upper()}"


SETTINGS = (
    Setting("archive", "--archive", Place(), say("The folder of the archive."), '"/srv/jobs"'),
    Setting(
        "shared",
        "--shared/--private",
        YesNo(),
        say("Share a new archive with its folder's group, or keep it private."),
        "false",
    ),
    Setting("key", "--key", Place(), say("The file with the shop's key."), '"/srv/keys/seal.key"'),
    Setting(
        "technician", "--technician", Words(), say("The technician's name."), '"Rosa Lindgren"'
    ),
    Setting(
        "language", "--lang", Language(LANGUAGES), say("Language of screens and reports."), '"en"'
    ),
    Setting("depth", "--depth", OneOf(DEPTHS), say("How much of a drive to read."), '"sample"'),
    Setting(
        "formats",
        "--format",
        SomeOf(FORMATS),
        say("Formats of a report whose name has no ending."),
        '["html", "pdf"]',
    ),
    Setting("paper", "--paper", OneOf(PAPERS), say("Paper size of a PDF report."), '"a4"'),
    Setting(
        "names",
        "--names/--no-names",
        YesNo(),
        say("Write the shop's edition, with the customer's file names."),
        "false",
    ),
    Setting(
        "shop.name", "--shop", Words(), say("The shop's name, for reports."), '"Lindgren Repairs"'
    ),
    Setting(
        "shop.address",
        "--shop-address",
        Words(lines=True),
        say("The shop's address, for reports."),
        '"Mill Lane 3\\n1042 Northport"',
    ),
    Setting(
        "shop.logo",
        "--shop-logo",
        Place(),
        say("The shop's logo, for reports: a PNG or JPEG file."),
        '"/srv/shop/logo.png"',
    ),
)
"""Every setting, in the order in which they are shown."""


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What holds in a run where no option says otherwise.

    `file`: the settings file that was read; `origins`: by name, where a value is from, if it is
    not the default.
    """

    archive: Path | None = None
    shared: bool = False
    key: Path | None = None
    technician: str | None = None
    language: str | None = None
    depth: Literal["layout", "sample", "full"] = "sample"
    formats: tuple[str, ...] = ()
    paper: str = "a4"
    names: bool = False
    shop_name: str | None = None
    shop_address: str | None = None
    shop_logo: Path | None = None
    file: Path | None = None
    origins: Mapping[str, Origin] = field(default_factory=lambda: MappingProxyType({}))

    def origin(self, setting: Setting) -> Origin:
        """Return where the value of a setting is from."""
        return self.origins.get(setting.name, "default")


def read_settings() -> Settings:
    """Return what the environment and the settings file say.

    Raises:
        SettingsUnusable: the file cannot be read, or must not be obeyed.
        UsageError: it has an unknown key or a value of the wrong kind, or a variable has.
    """
    file, document = read_settings_file()
    told: dict[str, Value] = {}
    origins: dict[str, Origin] = {}
    values = dict(_flat(document))
    for key in values:
        _hold_key(str(file), key)
    for setting in SETTINGS:
        if setting.key in values:
            told[setting.name] = _of_file(setting, values[setting.key], str(file))
            origins[setting.name] = "file"
        if text := os.environ.get(setting.variable):
            told[setting.name] = _of_variable(setting, text)
            origins[setting.name] = "environment"
    values_of_any_kind: dict[str, Any] = dict(told)
    return Settings(**values_of_any_kind, file=file, origins=MappingProxyType(origins))


def _flat(document: dict[str, object]) -> Iterator[tuple[str, object]]:
    for key, value in document.items():
        if isinstance(value, dict):
            yield from ((f"{key}.{inner}", one) for inner, one in value.items())
        else:
            yield key, value


def _hold_key(file: str, key: str) -> None:
    known = [setting.key for setting in SETTINGS]
    if key in known:
        return
    close = get_close_matches(key, known, n=1)
    advice = say("`drivewitness settings --example` shows all settings.")
    if close:
        advice = say("Did you mean {key}?", key=close[0])
    raise UsageError(say("{file}: there is no setting {key}.", file=file, key=key), advice)


def _of_file(setting: Setting, value: object, file: str) -> Value:
    try:
        return setting.kind.of_file(value)
    except NotOfKind as error:
        raise UsageError(
            say("{file}: {key} should be {what}.", file=file, key=setting.key, what=error.expected),
            say("For example: {key} = {example}", key=setting.key, example=setting.example),
        ) from error


def _of_variable(setting: Setting, text: str) -> Value:
    try:
        return setting.kind.of_text(text)
    except NotOfKind as error:
        raise UsageError(
            say(
                "{variable}: {text} should be {what}.",
                variable=setting.variable,
                text=text,
                what=error.expected,
            ),
            say("Correct the variable, or remove it from the environment."),
        ) from error


def given_or_set(key: str, text: str | None) -> Value | None:
    """Return what an option gave for a setting, else what is in force; `None`: neither.

    Raises:
        UsageError: the option's text cannot be its value.
    """
    setting = next(setting for setting in SETTINGS if setting.key == key)
    if text is None:
        held: Value | None = getattr(in_force(), setting.name)
        return held
    try:
        return setting.kind.of_text(text)
    except NotOfKind as error:
        raise UsageError(
            say("{option} should be {what}.", option=setting.option, what=error.expected),
            say("For example: {option} {example}", option=setting.option, example=setting.example),
        ) from error


_held: ContextVar[Settings | WitnessError | None] = ContextVar("settings", default=None)


@contextmanager
def settings_read_once() -> Iterator[None]:
    """Read the settings for as long as the context lasts; `in_force` reports what is wrong."""
    held: Settings | WitnessError
    try:
        held = read_settings()
    except WitnessError as error:
        held = error
    token = _held.set(held)
    try:
        yield
    finally:
        _held.reset(token)


def in_force() -> Settings:
    """Return the settings of this run.

    Raises:
        SettingsUnusable, UsageError: as `read_settings` does.
    """
    held = _held.get()
    if isinstance(held, WitnessError):
        raise held
    return read_settings() if held is None else held
