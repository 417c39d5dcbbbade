"""The language of a run: decided here, before the arguments are read, for help is printed in it."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from verify.errors import WitnessError
from verify.platforms.this import PLATFORM
from verify.settings.settings import in_force
from verify.text.language import LANGUAGES, default_language

if TYPE_CHECKING:
    from collections.abc import Sequence

OPTION = "--lang"


def language_for(arguments: Sequence[str]) -> str:
    """Return the code of a run's language: `--lang`, the settings, else `default_language`.

    What follows `--lang` and is no language is refused later, when the arguments are read, and
    settings that cannot be used before the command begins.
    """
    given = [
        value
        for word, after in pairwise([*arguments, ""])
        for name, sign, joined in [word.partition("=")]
        if name == OPTION and (value := joined if sign else after) in LANGUAGES
    ]
    if given:
        return given[-1]
    try:
        set_to = in_force().language
    except WitnessError:
        set_to = None
    return set_to or default_language(PLATFORM.language())
