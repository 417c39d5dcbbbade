r"""Text from a drive made harmless: it can be read, and it can do nothing else.

File names, labels and serial numbers are whatever somebody wrote on a drive. Shown as they are
they could move the cursor, turn the line around, hide a part of themselves or fill the screen.

Notation: `\x1b` a control character, `\u202e` or `\U000e0001` an invisible one, `\xff` a byte of
a name that is no text.
"""

from __future__ import annotations

import unicodedata

LONGEST = 240
"""Characters of one value that are shown; more are cut out of its middle."""

_ACTIVE = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""Unicode general categories that are escaped: controls, formats (bidi overrides among them),
surrogates, private and unassigned code points, line and paragraph separators."""

_MARKS = frozenset({"Mn", "Me"})
_MOST_MARKS = 3
"""Combining marks kept on one character: no living script stacks more (common practice)."""

_BYTES = range(0xDC80, 0xDD00)
_BYTES_BASE = 0xDC00
"""Python keeps the byte 0xNN of a name that is no UTF-8 as U+DCNN (PEP 383)."""

_BASIC_PLANE_END = 0xFFFF

_SHORT = {"\t": r"\t", "\n": r"\n", "\r": r"\r"}
_CUT = " … "


def harmless(text: str, longest: int = LONGEST) -> str:
    """Return `text` as one line of visible characters, at most `longest` of them.

    Both ends of an overlong text stay, since a path's meaning lies at its ends. `longest` > 8.
    """
    if len(text) <= longest and text.isascii() and text.isprintable():
        return text  # as nearly all are
    if len(text) > longest:
        text = text[:longest] + _CUT + text[-longest:]
    marks = 0
    parts: list[str] = []
    for character in text:
        category = unicodedata.category(character)
        marks = marks + 1 if category in _MARKS else 0
        active = category in _ACTIVE or marks > _MOST_MARKS
        parts.append(_escape(character) if active else character)
    return _shorten("".join(parts), longest)


def _escape(character: str) -> str:
    code = ord(character)
    if code in _BYTES:
        return f"\\x{code - _BYTES_BASE:02x}"
    if character.isascii():
        return _SHORT.get(character, f"\\x{code:02x}")
    return f"\\u{code:04x}" if code <= _BASIC_PLANE_END else f"\\U{code:08x}"


def _shorten(text: str, longest: int) -> str:
    if len(text) <= longest:
        return text
    kept = longest - len(_CUT)
    head = kept * 2 // 3
    return text[:head] + _CUT + text[len(text) - (kept - head) :]
