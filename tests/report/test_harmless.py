"""Text from a drive can be read in a report, and can do nothing else there."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from verify.report.harmless import harmless


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        # ECMA-48: ESC [ begins a control sequence; a terminal would turn red.
        ("\x1b[31mred", r"\x1b[31mred"),
        ("two\nlines\r\t", r"two\nlines\r\t"),
        ("\x7f\x9b", r"\x7f\u009b"),
        # Unicode Standard Annex 9: U+202E turns the rest of a line around.
        ("photo\u202egpj.exe", r"photo\u202egpj.exe"),
        ("\u2066\u2069", r"\u2066\u2069"),
        ("zero\u200bwidth", r"zero\u200bwidth"),
        ("\u2028", r"\u2028"),
        # PEP 383: the byte 0xFF of a name that is no UTF-8.
        ("caf\udce9", r"caf\xe9"),
        ("\ud800", r"\ud800"),
        ("\U000e0041", r"\U000e0041"),
    ],
)
def test_harmless_when_text_acts_then_it_is_spelled_out(text: str, shown: str) -> None:
    """Control characters, invisible ones and bytes that are no text are shown as escapes."""
    assert harmless(text) == shown


@pytest.mark.parametrize("text", ["Ünïcode größe.txt", "写真.jpg", "[bold]x[/bold]", "a b", ""])
def test_harmless_when_text_only_says_something_then_it_stays(text: str) -> None:
    """Letters of any script and markup signs are text and stay as they are."""
    assert harmless(text) == text


def test_harmless_when_marks_are_stacked_then_the_stack_ends() -> None:
    """Marks beyond three on one letter are escaped, so that no line grows into its neighbours."""
    assert harmless("a" + "\u0301" * 5) == "a" + "\u0301" * 3 + r"\u0301\u0301"


def test_harmless_when_overlong_then_both_ends_stay() -> None:
    """A long path keeps its first folders and its name."""
    shown = harmless("/first/" + "x" * 5000 + "/last.txt", 60)
    assert len(shown) == 60
    assert shown.startswith("/first/")
    assert shown.endswith("/last.txt")
    assert "…" in shown


@given(st.text(st.characters(), max_size=400), st.integers(min_value=9, max_value=80))
@example("\x00" * 400, 9)
def test_harmless_when_given_any_text_then_one_short_visible_line_comes_out(
    text: str, longest: int
) -> None:
    """Nothing of Unicode's control, format, surrogate or separator categories is left."""
    shown = harmless(text, longest)
    assert len(shown) <= longest
    assert not {unicodedata.category(one)[0] for one in shown} & {"C"}
    assert not set(shown) & {"\u2028", "\u2029"}
    shown.encode("utf-8")
