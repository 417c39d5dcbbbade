"""What stands at the top of the repository, and that every file says its words."""

from __future__ import annotations

import ast
import re
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.conftest import REPOSITORY
from verify.errors import UsageError, WitnessError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

TOP = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "verify",
    "tests",
    "fixtures",
    "docs",
}


@pytest.mark.tools("git")
def test_top_when_listed_then_nothing_else_stands_there() -> None:
    """Tracked names at the top are the agreed ones and dot-files."""
    if not (REPOSITORY / ".git").exists():
        pytest.skip("no git checkout")
    listed = subprocess.run(
        ["git", "-C", str(REPOSITORY), "ls-files", "-z"], check=True, capture_output=True, text=True
    )
    top = {name.split("/")[0] for name in listed.stdout.split("\0") if name}
    assert {name for name in top if not name.startswith(".")} == TOP


CITED = re.compile(r"\b(?:docs|tests|verify|fixtures)/[\w./-]+\.(?:md|py|html|svg|png|po|sh)\b")
"""A file of this repository, named in a text."""

NOT_HERE = re.compile(r"design (?:section|of this tool)|\(design[:)]")
"""Words that cite a page which the repository does not carry."""

TEXTS = ("*.py", "*.md", "*.toml")


def texts() -> list[Path]:
    """Return every file that cites others."""
    rooms = [REPOSITORY / name for name in ("verify", "tests", "docs", "fixtures")]
    found = [path for room in rooms for sort in TEXTS for path in room.rglob(sort)]
    return sorted([*found, *(path for sort in TEXTS for path in REPOSITORY.glob(sort))])


def test_texts_when_they_cite_a_file_of_the_repository_then_it_is_there() -> None:
    """A reader can follow every reference; a page elsewhere is no reference."""
    missing = {
        f"{path.relative_to(REPOSITORY)}: {cited}"
        for path in texts()
        for cited in CITED.findall(path.read_text(encoding="utf-8"))
        if not (REPOSITORY / cited).exists()
    }
    assert not missing


def test_texts_when_they_cite_a_source_then_it_is_none_that_the_repository_lacks() -> None:
    """What this tool decides by itself is said on the rules' pages and in the code."""
    found = [
        path.relative_to(REPOSITORY).as_posix()
        for path in texts()
        if NOT_HERE.search(path.read_text(encoding="utf-8").lower())
    ]
    assert not found


def errors(root: type[WitnessError] = WitnessError) -> Iterator[type[WitnessError]]:
    """Yield every class of the error tree."""
    for child in root.__subclasses__():
        yield child
        yield from errors(child)


def test_errors_when_walked_then_the_drawing_shows_them_all() -> None:
    """The tree at the top of the file is the tree."""
    module = ast.parse((REPOSITORY / "verify" / "errors.py").read_text(encoding="utf-8"))
    drawing = ast.get_docstring(module) or ""
    drawn = [line.strip("│├└─ ").split(" ")[0] for line in drawing.splitlines()]
    assert {one.__name__ for one in errors()} <= set(drawn)


def test_errors_when_walked_then_only_wrong_usage_exits_otherwise() -> None:
    """Exit 2 is for the call, 4 for everything else that is named."""
    assert {one.__name__ for one in errors() if one.exit_code != 4} == {
        "UsageError",
        "OnePartition",
    }
    assert UsageError.exit_code == 2
