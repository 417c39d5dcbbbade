"""Rows that wait on disk."""

from __future__ import annotations

import copy
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

from verify.capture.row_store import RowStore
from verify.filesystem.entry import Entry

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


ENTRIES = [Entry("file", f"/{number:05}", size=number) for number in range(2_000)]


@contextmanager
def filled(path: Path) -> Iterator[RowStore]:
    """Give a row store of many entries, listed to their end."""
    with RowStore(path) as store:
        for entry in ENTRIES:
            store.append(entry)
        store.finish_listing()
        yield store


def test_row_store_when_reopened_then_neither_moves_the_place_of_the_other(tmp_path: Path) -> None:
    """A copy of the process would share the file's position with the first."""
    with filled(tmp_path / "spool") as first:
        second = copy.copy(first)
        second.reopen()
        rows = first.rows()
        seen = [next(rows)]
        assert second.entry(1_500) == ENTRIES[1_500]
        seen += rows
        assert second.entry(3) == ENTRIES[3]
        second.file.close()
    assert b"".join(seen).count(b'"path"') == len(ENTRIES)


def test_row_store_when_a_copy_of_the_process_reopens_it_then_this_one_reads_on(
    tmp_path: Path,
) -> None:
    """What was read ahead before the copy was made is not put back by it."""
    with filled(tmp_path / "spool") as store:
        for number in range(0, 2_000, 7):
            assert store.entry(number) == ENTRIES[number]
            process = os.fork()
            if not process:
                store.reopen()
                os._exit(0)
            os.waitpid(process, 0)
            assert store.entry(number + 3) == ENTRIES[number + 3]
