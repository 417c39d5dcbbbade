"""The generated part of docs/ is what the code says today."""

from __future__ import annotations

import json
from array import array
from typing import TYPE_CHECKING

import pytest
from pydantic import TypeAdapter, ValidationError

from docs import generate as docs
from docs.generate import (
    AnyRow,
    BlockRow,
    EntryRow,
    GroupRow,
    SegmentRow,
    generated,
    out_of_date,
    write,
)
from tests.conftest import REPOSITORY
from verify.filesystem.entry import Entry, Stream
from verify.manifest.row import Block, encode_block, encode_entry, encode_group
from verify.manifest.segment import NO_HEAD, encode_segment
from verify.manifest.totals import Totals
from verify.rules.catalogue import RULES
from verify.rules.rule import PAGE_HEADINGS

if TYPE_CHECKING:
    from pathlib import Path

FULL = Entry(
    kind="file",
    path="/a\udcff",
    size=7,
    modified=1,
    changed=2,
    created=3,
    node=9,
    links=2,
    extents=[(4, 1)],
    streams=[Stream("s", 3, None), Stream("t", 4, "ab")],
    attributes=32,
    mode=0o644,
    owner="0:0",
    security="ab",
    short="A~1",
    extended=[("user.comment", "ab")],
    reparse="80000017",
    reparse_digest="cd",
    target="/b",
    digest="ef",
    blocks=[(0, "01")],
    unhashed="why",
    boot=True,
    placed=True,
    zero_blocks=2,
    zero_tail=True,
)


def test_docs_when_generated_then_the_repository_holds_the_same() -> None:
    """Pages and schemas in docs/ are current, and none is left over."""
    assert out_of_date(REPOSITORY / "docs") == []


def test_docs_when_a_page_is_altered_missing_or_left_over_then_it_is_named(tmp_path: Path) -> None:
    """All three ways of being out of date are seen, and `write` puts them right."""
    write(tmp_path)
    assert out_of_date(tmp_path) == []
    slug = RULES[0].slug
    (tmp_path / "rules" / f"{slug}.md").write_text("other")
    (tmp_path / "schema" / "comparison.json").unlink()
    (tmp_path / "rules" / "no-such-rule.md").write_text("left over")
    wrong = ["rules/no-such-rule.md", f"rules/{slug}.md", "schema/comparison.json"]
    assert out_of_date(tmp_path) == sorted(wrong)
    write(tmp_path)
    assert out_of_date(tmp_path) == []


def test_docs_when_checked_then_the_exit_code_tells(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`--check` exits 1 and says what to run; after that run it exits 0."""
    monkeypatch.chdir(tmp_path)
    assert docs.main(["--check"]) == 1
    assert "python -m docs.generate" in capsys.readouterr().err
    assert docs.main([]) == 0
    assert docs.main(["--check"]) == 0


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.slug)
def test_page_when_generated_then_it_has_all_headings_in_order(rule: object) -> None:
    """Every rule says what it compares, why, at which levels, what to do, and its sources."""
    slug = getattr(rule, "slug", "")
    page = generated()[f"rules/{slug}.md"]
    headings = [line[3:] for line in page.splitlines() if line.startswith("## ")]
    assert headings == list(PAGE_HEADINGS)
    assert page.startswith(f"# {slug}\n")


def test_schema_when_rows_are_written_then_it_describes_every_field_of_them() -> None:
    """A row as it stands in a manifest passes its model, with nothing lost and nothing unknown."""
    adapter: TypeAdapter[AnyRow] = TypeAdapter(AnyRow)
    for line, kind in (
        (encode_entry(FULL), EntryRow),
        (encode_entry(Entry("folder", "/x")), EntryRow),
        (encode_block(Block(3, None)), BlockRow),
        (encode_group(2), GroupRow),
        (NO_HEAD, SegmentRow),
        (encode_segment(encode_entry(FULL), array("Q", [1]), Totals(rows=1)), SegmentRow),
    ):
        row = json.loads(line)
        model = adapter.validate_python(row)
        assert type(model) is kind
        assert model.model_dump(exclude_unset=True, mode="json") == row


def test_schema_when_every_field_of_an_entry_is_set_then_the_row_has_them_all() -> None:
    """The schema knows as many fields as an entry has."""
    assert set(EntryRow.model_fields) == set(Entry.__dataclass_fields__)
    assert set(json.loads(encode_entry(FULL))) == set(EntryRow.model_fields)


def test_schema_when_a_row_has_an_unknown_field_then_it_fails() -> None:
    """The check above can fail."""
    with pytest.raises(ValidationError):
        EntryRow.model_validate({"kind": "file", "path": "/", "node": 1, "news": 1})
