"""Rows that wait on disk."""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING

from verify.content.spool import Spool
from verify.filesystem.entry import Entry

if TYPE_CHECKING:
    from pathlib import Path


def test_spool_when_reopened_then_neither_moves_the_place_of_the_other(tmp_path: Path) -> None:
    """A copy of the process would share the file's position with the first."""
    entries = [Entry("file", f"/{number}", size=number) for number in range(2_000)]
    with Spool(tmp_path / "spool") as first:
        for entry in entries:
            first.append(entry)
        first.finish_listing()
        second = copy.copy(first)
        second.reopen()
        rows = first.rows()
        seen = [next(rows)]
        assert second.entry(1_500) == entries[1_500]
        seen += rows
        assert second.entry(3) == entries[3]
        second.file.close()
    assert b"".join(seen).count(b'"path"') == len(entries)
