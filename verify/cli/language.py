"""The language of a run: decided here, before the arguments are read, for help is printed in it."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from verify.platforms.this import PLATFORM
from verify.text.language import LANGUAGES, default_language

if TYPE_CHECKING:
    from collections.abc import Sequence

OPTION = "--lang"


def language_for(arguments: Sequence[str]) -> str:
    """Return the code of a run's language: `--lang`, else as `default_language` has it.

    What follows `--lang` and is no language is refused later, when the arguments are read.
    """
    given = [
        value
        for word, after in pairwise([*arguments, ""])
        for name, sign, joined in [word.partition("=")]
        if name == OPTION and (value := joined if sign else after) in LANGUAGES
    ]
    return given[-1] if given else default_language(PLATFORM.language())
