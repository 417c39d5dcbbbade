"""A saved comparison, read back: what `check --json` and `compare --json` printed."""

from __future__ import annotations

import json
from pathlib import Path

from pydantic import ValidationError

from verify.errors import ComparisonForeign, SourceForbidden, SourceMissing
from verify.rules.comparison_document import COMPARISON_SCHEMA, Comparison

LONGEST_BYTES = 256 << 20
"""No comparison comes near it: its lists are bounded."""

_FIRST_BYTES = 4096


def open_comparison(path: str | Path) -> Comparison:
    """Return the comparison that a file holds.

    Raises:
        SourceMissing, SourceForbidden: it is not there, or cannot be read.
        ComparisonForeign: it holds no comparison.
    """
    name = str(path)
    try:
        if not Path(path).is_file():
            if Path(path).exists():
                raise ComparisonForeign(name, "it is no ordinary file")
            raise SourceMissing(name)
        with Path(path).open("rb") as file:
            text = file.read(_FIRST_BYTES)
            if text.lstrip()[:1] != b"{":
                raise ComparisonForeign(name, "it does not begin as one")
            text += file.read(LONGEST_BYTES)
    except PermissionError as error:
        raise SourceForbidden(name) from error
    except OSError as error:
        raise ComparisonForeign(name, error.strerror or "it cannot be read") from error
    return _parsed(name, text)


def _parsed(name: str, text: bytes) -> Comparison:
    if len(text) > LONGEST_BYTES:
        raise ComparisonForeign(name, "it is longer than any comparison")
    try:
        document = json.loads(text)
        if not isinstance(document, dict) or document.get("schema") != COMPARISON_SCHEMA:
            raise ComparisonForeign(name, f"its schema is not {COMPARISON_SCHEMA}")
        return Comparison.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise ComparisonForeign(name, f"{place}: {first['msg']}") from error
    except (ValueError, RecursionError) as error:
        raise ComparisonForeign(name, "it is no JSON document") from error
