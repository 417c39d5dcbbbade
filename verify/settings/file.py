"""The settings file: where it lies, whether it is obeyed, and what it says as TOML.

It is obeyed if it belongs to root, to whoever runs this or to whoever called sudo, and if nobody
else may write to it. It is a file of a few lines without links: what it names is never run.
"""

from __future__ import annotations

import os
import re
import stat
import tomllib
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from verify.errors import SettingsUnusable, UsageError
from verify.platforms.this import PLATFORM
from verify.text.message import say
from verify.text.system_words import system_words

if TYPE_CHECKING:
    from collections.abc import Iterator

FILE_VARIABLE = "DRIVEWITNESS_SETTINGS"
"""Names another settings file; set to nothing, no file is read."""

FILE_NAME = "settings.toml"
_MOST_BYTES = 1 << 16
_WHERE = re.compile(r"\(at line (\d+), column (\d+)\)")
"""How `tomllib` ends its messages, which are in English alone."""


def settings_places() -> tuple[Path, ...]:
    """Return where a settings file is looked for; the first that is there is read."""
    named = os.environ.get(FILE_VARIABLE)
    if named is not None:
        return (Path(named),) if named else ()
    return tuple(folder / FILE_NAME for folder in _folders())


def read_settings_file() -> tuple[Path | None, dict[str, object]]:
    """Return the settings file of this run and what it says; `None` and nothing: there is none.

    Raises:
        SettingsUnusable: it cannot be read, is a link, or is not to be obeyed.
        UsageError: it is not TOML.
    """
    for place in settings_places():
        try:
            text = _read(place)
        except (FileNotFoundError, NotADirectoryError) as error:
            if os.environ.get(FILE_VARIABLE):
                raise SettingsUnusable(str(place), system_words(error)) from error
        except OSError as error:
            if not os.environ.get(FILE_VARIABLE) and _is_out_of_reach(place):
                continue
            raise SettingsUnusable(str(place), system_words(error)) from error
        else:
            return place, _parsed(place, text)
    return None, {}


def _is_out_of_reach(place: Path) -> bool:
    """Whether this account may not look into the folder, as with the home of another one."""
    try:
        place.lstat()
    except PermissionError:
        return True
    except OSError:
        return False
    return False


def _folders() -> Iterator[Path]:
    with suppress(RuntimeError):  # this account has no home
        yield PLATFORM.user_folder("settings")
    calling = PLATFORM.calling_users_folder()
    if calling is not None:
        yield calling


def _read(path: Path) -> bytes:
    if path.is_symlink():
        raise SettingsUnusable(str(path), say("it is a link"))
    handle = PLATFORM.open_to_look(path)
    with os.fdopen(handle, "rb") as file:
        status = os.fstat(handle)
        if not stat.S_ISREG(status.st_mode):
            raise SettingsUnusable(str(path), say("it is not an ordinary file"))
        if not PLATFORM.owner_is_trusted(status):
            raise SettingsUnusable(str(path), say("it belongs to another user"))
        if PLATFORM.others_may_change(path, status.st_mode):
            raise SettingsUnusable(str(path), say("users other than its owner may change it"))
        text = file.read(_MOST_BYTES + 1)
    if len(text) > _MOST_BYTES:
        raise SettingsUnusable(str(path), say("it is larger than 64 KiB"))
    return text


def _parsed(path: Path, text: bytes) -> dict[str, object]:
    try:
        return tomllib.loads(text.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise _not_toml(path, say("it is not UTF-8")) from error
    except RecursionError as error:
        raise _not_toml(path, say("it is nested too deeply")) from error
    except tomllib.TOMLDecodeError as error:
        place = _WHERE.search(str(error))
        why = say("it ends too early")
        if place is not None:
            why = say("see line {line}, column {column}", line=place[1], column=place[2])
        raise _not_toml(path, why) from error


def _not_toml(path: Path, why: str) -> UsageError:
    return UsageError(
        say("{path}: is not a settings file in TOML: {why}.", path=str(path), why=why),
        say("`drivewitness settings --example` prints one."),
    )
