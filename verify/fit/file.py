"""A fit as a file: written whole or not at all, and read back as what it is or refused."""

from __future__ import annotations

import json
from pathlib import Path

from pydantic import ValidationError

from verify.errors import FitForeign, SourceForbidden, SourceMissing
from verify.fit.fit_document import FitDocument
from verify.text.message import say
from verify.text.validation import not_valid
from verify.whole_file import whole_file

_LARGEST_BYTES = 16 << 20
"""No fit comes near it."""


def write_fit(path: Path, fit: FitDocument, *, replace: bool = False) -> None:
    """Write a fit; `replace`: what stands under `path` by then.

    Raises:
        OutputError: it could not be written; nothing new stands under `path` then.
    """
    text = json.dumps(fit.model_dump(mode="json", by_alias=True), ensure_ascii=True, indent=2)
    with whole_file(path, replace=replace) as file:
        file.write(text.encode("ascii") + b"\n")


def is_fit(path: str | Path) -> bool:
    """Whether a path holds a fit of this program."""
    try:
        read_fit(path)
    except (FitForeign, SourceMissing, SourceForbidden):
        return False
    return True


def read_fit(path: str | Path) -> FitDocument:
    """Read a fit.

    Raises:
        SourceMissing, SourceForbidden: it is not there, or cannot be read.
        FitForeign: it is no fit.
    """
    name = str(path)
    try:
        with Path(path).open("rb") as file:
            text = file.read(_LARGEST_BYTES + 1)
    except FileNotFoundError as error:
        raise SourceMissing(name) from error
    except PermissionError as error:
        raise SourceForbidden(name) from error
    except (OSError, ValueError) as error:
        raise FitForeign(name, say("it cannot be read")) from error
    if len(text) > _LARGEST_BYTES:
        raise FitForeign(name, say("it is too long"))
    try:
        return FitDocument.model_validate_json(text)
    except ValidationError as error:
        raise FitForeign(name, not_valid(error)) from error
