"""The catalogues against the source: no sentence lacks, none is stale, each is whole."""

from __future__ import annotations

import re
from inspect import signature

import pytest

from tests.conftest import REPOSITORY
from tests.text.extracted import extracted
from tests.text.heard import catalogue, templates
from tests.text.plain_sentences import (
    messages_in_f_strings,
    plain_in_errors,
    plain_sentences,
)
from verify.cli.app import all_commands
from verify.cli.spoken_help import help_of
from verify.rules.rule import PAGE_HEADINGS
from verify.text.language import ENGLISH, LANGUAGES
from verify.text.message import FIELD, Message

OTHERS = [code for code in LANGUAGES if code != ENGLISH]

ENGLISH_FILES = frozenset(
    {"catalogue.py", "argument_words.py", "columns.py", "index.py", "demo.py", "script.py"}
)
"""Modules of English by their nature: Markdown pages, the library's words, columns, SQL; the demo,
which shows what the program prints in English; shell scripts, whose other words are commands."""

NO_SENTENCES = frozenset(
    {
        "drivewitness 2025-11 names in a report",  # a key
        "no findings",  # in CSV, which is English
        "it cannot be read",  # the end of an error
        "Boot ()",  # as the firmware calls its entries
        "not yet",  # a key
        *("all jobs", "not reported", "drivewitness 2025-11 fingerprint of a seal key"),  # keys
        *("partition table", "unreadable sectors", "partition , block "),  # names in a result
        "tuple[CaptureOptions, CaptureOptions]",  # types
        "CaptureOptions | tuple[CaptureOptions, CaptureOptions]",
        "dict[Sort, Message]",
        "Callable[[str, LaterName], None] | None",
        "further namespaces",  # what a manifest calls them
        "Serial number, read again",  # a key
        *PAGE_HEADINGS,
    }
)


NO_REASONS = frozenset(
    {
        ", ",
        "the exFAT reader",  # of what a reader gave up on, and why
        "f'read {entry.path}'",
        "f'gave {len(data)} of {length} bytes at {offset}'",
        "f'{SCHEMA_NAME}/{int(version)}'",  # a name
    }
)


@pytest.mark.parametrize("code", OTHERS)
def test_catalogue_when_held_against_the_source_then_it_has_its_sentences_and_no_others(
    code: str,
) -> None:
    """What Babel extracts from the code and the pages, and why each rule matters."""
    found, known = extracted(), set(templates(code))
    assert len(found) > 500
    assert found - known == set()
    assert known - found == set()


@pytest.mark.parametrize("code", OTHERS)
def test_catalogue_when_read_then_every_entry_is_done_and_has_the_same_fields(code: str) -> None:
    """None is fuzzy or empty; a plural may leave the number out of the form for one."""
    assert not [message.id for message in catalogue(code) if message.id and message.fuzzy]
    for here, there in templates(code).items():
        english = (here,) if isinstance(here, str) else here
        other = (there,) if isinstance(there, str) else there
        for one, translated in zip(english, other, strict=True):
            fields = {found[0] for found in FIELD.finditer(one)}
            assert translated, one
            assert {found[0] for found in FIELD.finditer(translated)} == fields, one
            assert one[:1].isspace() == translated[:1].isspace(), one


@pytest.mark.parametrize("room", ["rules", "report", "after", "cli", "fit", "audit", "archive"])
def test_source_when_it_says_something_then_by_a_message(room: str) -> None:
    """A string of several words in a rule or a report would stay English in every language."""
    plain = [
        f"{path.name}:{line}: {text}"
        for path in sorted((REPOSITORY / "verify" / room).rglob("*.py"))
        if path.name not in ENGLISH_FILES
        for line, text in plain_sentences(path)
        if text not in NO_SENTENCES
    ]
    assert plain == []


def test_source_when_it_refuses_then_by_a_message() -> None:
    """The words of an error of ours, wherever it is raised, but for names of structures."""
    plain = [
        f"{path.relative_to(REPOSITORY)}:{line}: {text}"
        for path in sorted((REPOSITORY / "verify").rglob("*.py"))
        for line, text in plain_in_errors(path)
        if text not in NO_REASONS
    ]
    assert plain == []


def test_help_when_a_command_is_called_then_every_option_has_a_message() -> None:
    """An option without help, or with a plain text, would stay English or unexplained."""
    parameters = [
        (getattr(command, "__name__", ""), parameter)
        for command in all_commands()
        for parameter in signature(command, eval_str=True).parameters.values()
    ]
    assert len(parameters) > 100
    assert [
        f"{command}: {parameter.name}"
        for command, parameter in parameters
        if not (isinstance(help_of(parameter), Message) and help_of(parameter))
    ] == []


def test_source_when_it_makes_a_message_then_where_babel_sees_it() -> None:
    """The extractor does not look into f-strings (Babel 2.19, `messages.extract`)."""
    paths = sorted((REPOSITORY / "verify").rglob("*.py"))
    assert [(path.name, line) for path in paths for line in messages_in_f_strings(path)] == []


@pytest.mark.parametrize("code", OTHERS)
def test_catalogue_when_read_as_text_then_every_entry_stands_once(code: str) -> None:
    """A merge of two changes leaves an entry twice, and the reader of the file keeps one."""
    text = (REPOSITORY / f"verify/text/languages/{code}.po").read_text(encoding="utf-8")
    assert len(re.findall(r"^msgid ", text, re.MULTILINE)) == len(list(catalogue(code)))
    assert re.findall(r"^msgstr \".*\n(?:\".*\n)*msgstr ", text, re.MULTILINE) == []
