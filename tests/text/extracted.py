"""The sentences that the source can say, taken from it by Babel's own extractors."""

from __future__ import annotations

from functools import cache

from babel.messages.extract import extract_from_dir

from tests.conftest import REPOSITORY
from verify.cli.app import all_commands
from verify.cli.spoken_help import paragraphs
from verify.matching.exclusions import EXCLUSIONS
from verify.report.rule_page import SOURCES, rule_pages
from verify.rules.rule import Area
from verify.text.message import FIELD

KEYWORDS = {"say": None, "_": None, "counted": (1, 2)}
"""What makes a message, and which of its arguments are templates (`pybabel extract -k`)."""

METHODS = [("**.py", "python"), ("**.html", "jinja2"), ("**.svg", "jinja2"), ("**.css", "ignore")]


@cache
def extracted() -> frozenset[str | tuple[str, ...]]:
    """Return every template with letters of its own, the pages of the rules, and commands' help."""
    found = extract_from_dir(
        REPOSITORY / "verify", METHODS, keywords=KEYWORDS, comment_tags=(), strip_comment_tags=False
    )
    templates = {message for _, _, message, _, _ in found}
    for page in rule_pages().values():
        templates.add(page.title)
        for heading, blocks in page.sections:
            templates |= {heading, *(text for block in blocks for text in block.texts)}
            if heading == SOURCES:
                templates -= {text for block in blocks for text in block.texts}
    templates |= {area.value for area in Area}
    for row in EXCLUSIONS:
        templates |= {row.why, row.excuses.value, row.volumes.value, row.level}
    templates |= {text for command in all_commands() for text in paragraphs(command)}
    return frozenset(item for item in templates if has_words(item))


def has_words(template: str | tuple[str, ...]) -> bool:
    """Whether a template has letters outside its fields: others are the same in all languages."""
    text = template if isinstance(template, str) else template[0]
    return any(map(str.isalpha, FIELD.sub("", text)))
