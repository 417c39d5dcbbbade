"""The sentences that the source can say, taken from it by Babel's own extractors."""

from __future__ import annotations

from functools import cache

from babel.messages.extract import extract_from_dir

from tests.conftest import REPOSITORY
from verify.cli.app import all_commands
from verify.cli.spoken_help import paragraphs
from verify.report.rule_page import rule_pages
from verify.text.message import FIELD

KEYWORDS = {"say": None, "_": None, "counted": (1, 2)}
"""What makes a message, and which of its arguments are templates (`pybabel extract -k`)."""

METHODS = [("**.py", "python"), ("**.html", "jinja2"), ("**.svg", "jinja2"), ("**.css", "ignore")]


@cache
def extracted() -> frozenset[str | tuple[str, ...]]:
    """Return every template with letters of its own, why each rule matters, and commands' help."""
    found = extract_from_dir(
        REPOSITORY / "verify", METHODS, keywords=KEYWORDS, comment_tags=(), strip_comment_tags=False
    )
    templates = {message for _, _, message, _, _ in found}
    templates |= {text for page in rule_pages().values() for text in (page.why, page.title)}
    templates |= {text for command in all_commands() for text in paragraphs(command)}
    return frozenset(item for item in templates if has_words(item))


def has_words(template: str | tuple[str, ...]) -> bool:
    """Whether a template has letters outside its fields: others are the same in all languages."""
    text = template if isinstance(template, str) else template[0]
    return any(map(str.isalpha, FIELD.sub("", text)))
