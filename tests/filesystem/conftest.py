"""Every fault that an examination finds in these tests must be told in every language."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.text.heard import untranslated
from verify.filesystem.examination import Recorder
from verify.text.language import ENGLISH, LANGUAGES
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.examination import Check

_OTHERS = [code for code in LANGUAGES if code != ENGLISH]
_NAMES = {"memory", "mode", "some"}
"""What the tests call their drives and a folder, and the name of a field of an inode."""


@pytest.fixture(autouse=True)
def hear_every_fault(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Fail the test in which an examination says something that would stay English."""
    result, said = Recorder.result, set[str]()

    def heard(recorder: Recorder) -> Check:
        check = result(recorder)
        said.update(check.left_out)
        for fault in check.faults:
            said.update((fault.structure, fault.place, fault.field, fault.stored, fault.expected))
        return check

    monkeypatch.setattr(Recorder, "result", heard)
    yield
    # A place that holds a path is not shown: the finding has the path. A fault of ours has words
    # of Python's.
    shown = {
        say("{text}", text=text)
        for text in said
        if "/" not in text and not text.startswith("the examination failed")
    }
    found = [(text, *untranslated(text, code)) for text in shown for code in _OTHERS]
    assert [row for row in found if set(row[1:]) - _NAMES] == []
