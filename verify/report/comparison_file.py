"""A comparison as `check --json` and `compare --json` print it, and read back.

Behind the fields of the document stands the list of all differences, one a line. However long it
is, it is written and passed over by lines: what is read back is the comparison without it.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from pydantic import ValidationError

from verify.errors import ComparisonForeign, SourceForbidden, SourceMissing
from verify.report.difference_lists import json_lines
from verify.report.json_text import document_json
from verify.rules.comparison_document import COMPARISON_SCHEMA, Comparison
from verify.text.message import say
from verify.text.system_words import system_words
from verify.text.validation import not_valid

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.rules.difference_rows import DifferenceRow

LONGEST_BYTES = 256 << 20
"""No comparison comes near it: its lists are bounded, but for that of all differences."""

_LIST_BEGINS, _LIST_ENDS = b'  "differences": [', b"  ]"
"""Lines of the document as it is printed; no text within it can hold a line."""

_FIRST_BYTES = 4096


def with_differences(comparison: Comparison, rows: Iterable[DifferenceRow]) -> Iterator[str]:
    """Yield the document in parts, with all differences as its last field."""
    yield document_json(comparison).removesuffix("\n}") + ",\n" + _LIST_BEGINS.decode()
    separator = "\n"
    for line in json_lines(rows):
        yield separator + line.decode("ascii").rstrip("\n")
        separator = ",\n"
    yield "\n" + _LIST_ENDS.decode() + "\n}\n"


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
                raise ComparisonForeign(name, say("it is not an ordinary file"))
            raise SourceMissing(name)
        with Path(path).open("rb") as file:
            if file.read(_FIRST_BYTES).lstrip()[:1] != b"{":
                raise ComparisonForeign(name, say("it does not begin like one"))
            file.seek(0)
            text = _without_list(file)
    except PermissionError as error:
        raise SourceForbidden(name) from error
    except OSError as error:
        raise ComparisonForeign(name, system_words(error)) from error
    return _parsed(name, text)


def _without_list(file: BinaryIO) -> bytes:
    """Read a document up to the longest one, and pass over the list of all differences."""
    parts: list[bytes] = []
    length, inside = 0, False
    while length <= LONGEST_BYTES and (line := file.readline(LONGEST_BYTES + 1)):
        bare = line.rstrip(b"\r\n")
        inside = inside and bare != _LIST_ENDS
        if not inside:
            parts.append(line)
            length += len(line)
        inside = inside or bare == _LIST_BEGINS
    return b"".join(parts)


def _parsed(name: str, text: bytes) -> Comparison:
    if len(text) > LONGEST_BYTES:
        raise ComparisonForeign(name, say("it is too long"))
    try:
        document = json.loads(text)
        if not isinstance(document, dict) or document.get("schema") != COMPARISON_SCHEMA:
            raise ComparisonForeign(
                name, say("its schema is not {schema}", schema=COMPARISON_SCHEMA)
            )
        return Comparison.model_validate_json(text)
    except ValidationError as error:
        raise ComparisonForeign(name, not_valid(error)) from error
    except (ValueError, RecursionError) as error:
        raise ComparisonForeign(name, say("it is not a JSON document")) from error
