"""Messages: English text that knows its template; numbers, dates and plurals in other languages."""

from __future__ import annotations

import copy
import json
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import pytest
from pydantic import BaseModel

from verify.text.field import Text
from verify.text.language import ENGLISH, speaking, spoken, translated
from verify.text.message import Message, all_of, counted, joined, message_from, say
from verify.text.stored import Spoken
from verify.units import binary_size, decimal_size

if TYPE_CHECKING:
    from verify.text.message import Value

LOST = say("The {name} drive has {what}: {detail}.", name=say("old"), what="HPA", detail="5")


def test_message_when_made_then_it_is_its_english_text() -> None:
    """It goes wherever a `str` goes, and is equal to it."""
    assert LOST == "The old drive has HPA: 5."
    assert hash(LOST) == hash("The old drive has HPA: 5.")


def test_message_when_copied_then_it_keeps_its_template() -> None:
    """`asdict` copies whatever it is given."""
    twin = copy.deepcopy(LOST)
    assert (twin, twin.template, twin.values) == (LOST, LOST.template, LOST.values)


def test_text_when_english_is_spoken_then_nothing_is_looked_up() -> None:
    """Outside the context a message is its English text; a plain text is a name in every one."""
    assert spoken() == ENGLISH
    assert translated(say("not reported")) == "not reported"
    with speaking("de"):
        assert translated(say("not reported")) == "nicht gemeldet"
        assert translated("not reported") == "not reported"
        assert translated(LOST) == "Das alte Laufwerk hat HPA: 5."
    assert translated(say("not reported")) == "not reported"


@pytest.mark.parametrize(
    ("message", "here", "there"),
    [
        (say("{n:,}", n=1_234_567), "1,234,567", "1.234.567"),
        (say("{n}", n=1_234_567), "1234567", "1234567"),
        (say("{n:.2f} {n:.1%} {n:g}", n=0.25), "0.25 25.0% 0.25", "0,25 25,0\u00a0% 0,25"),
        (say("{name}", name="v1,2.3"), "v1,2.3", "v1,2.3"),
        (decimal_size(500_107_862_016), "500.11 GB", "500,11 GB"),
        (binary_size(500_107_862_016), "465.76 GiB", "465,76 GiB"),
        (say("{day}", day=date(2025, 11, 3)), "2025-11-03", "03.11.2025"),
        (
            say("{moment}", moment=datetime(2025, 11, 3, 9, 5, tzinfo=UTC)),
            "2025-11-03 09:05 UTC",
            "03.11.2025, 09:05 UTC",
        ),
        (joined([say("old"), "new", say("new")], "; "), "old; new; new", "alt; new; neu"),
        (all_of([say("old"), say("new"), "x"]), "old, new and x", "alt, neu und x"),
        (say("a: {it:clause}.", it=LOST), "a: the old drive has HPA: 5.", None),
        (say("a: {it:clause}.", it=say("GPT is gone.")), "a: GPT is gone.", None),
    ],
)
def test_values_when_said_then_numbers_and_dates_follow_the_language(
    message: Message, here: str, there: str | None
) -> None:
    """Unicode CLDR, locale `de`: comma, full stop, space before %, day first.

    Names stay as they are.
    """
    assert message == here
    with speaking("de"):
        assert there is None or translated(message) == there


@pytest.mark.parametrize(
    ("count", "here", "there"),
    [
        (0, "0 findings to decide on", "0 Befunde sind offen"),
        (1, "1 finding to decide on", "1 Befund ist offen"),
        (3, "3 findings to decide on", "3 Befunde sind offen"),
    ],
)
def test_count_when_said_then_one_thing_is_singular(count: int, here: str, there: str) -> None:
    """Both languages have one form for 1 and one for all else (CLDR plural rules, `en`, `de`)."""
    message = counted("{count} finding to decide on", "{count} findings to decide on", count)
    assert message == here
    assert message_from(message.as_data()) == here
    with speaking("de"):
        assert translated(message) == there


@pytest.mark.parametrize("value", [3, 2.5, "name", date(2025, 1, 2), LOST, joined([LOST, "x"])])
def test_message_when_stored_then_it_is_read_back_whole(value: Value) -> None:
    """Through JSON, with values of every kind."""
    message = say("It is {value}.", value=value)
    stored = _Document(row=_Row(text=message), told=LOST).model_dump_json()
    back = _Document.model_validate_json(stored)
    assert isinstance(back.row.text, Message)
    assert (back.row.text, back.row.text.values) == (message, message.values)
    assert back.model_dump_json() == stored


class _Row(BaseModel):
    text: Text | int | None


class _Document(Spoken):
    row: _Row
    told: Text


@pytest.mark.parametrize(
    "data",
    [
        None,
        "gone",
        {"template": "It is lost."},
        {"template": 3},
        {"template": "{a}"},
        {"template": "{a:.2f}", "values": {"a": "x"}},
        {"template": "{a}", "values": {"a": [1]}},
        {"template": "{a}", "values": {"a": {"date": "never"}}},
        {"template": "{0.__class__}", "values": {"0": 1}},
        {"template": "{a:9999999}", "values": {"a": 1}},
        {"template": "{one}", "plural": "{many}", "values": {}},
    ],
)
def test_document_when_its_template_does_not_give_the_text_then_the_text_stays_plain(
    data: object,
) -> None:
    """A stored template is foreign text: it is used only where it says what stands there."""
    text = '{"row": {"text": "It is gone."}, "told": "x", "sentences": {"It is gone.": %s}}'
    back = _Document.model_validate_json(text % json.dumps(data))
    assert (type(back.row.text), back.row.text) == (str, "It is gone.")


def test_message_when_it_holds_itself_too_often_then_it_is_refused() -> None:
    """Nothing nests as deep; a document may try."""
    data: dict[str, object] = {"template": "x"}
    for _ in range(40):
        data = {"template": "{a}", "values": {"a": data}}
    assert message_from(data) is None
