"""Documents as JSON: the text that `--json` prints."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verify.manifest.header import Header
    from verify.rules.comparison_document import Comparison


def as_json(document: object) -> str:
    r"""Return any plain document as text, in ASCII alone.

    NOTE: bytes of a name that are no text are lone surrogates; only as `\udcff` do they pass
    through every encoding, and control characters through every terminal.
    """
    return json.dumps(document, ensure_ascii=True, indent=2)


def document_json(document: Header | Comparison) -> str:
    """Return a header or a comparison as text, by the names of its schema."""
    return as_json(document.model_dump(mode="json", by_alias=True))
