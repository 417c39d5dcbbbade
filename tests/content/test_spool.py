"""Rows that wait on disk."""

from __future__ import annotations

import copy
import os
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


def test_spool_when_a_copy_of_the_process_reopens_it_then_this_one_reads_on(tmp_path: Path) -> None:
    """What was read ahead before the copy was made is not put back by it."""
    entries = [Entry("file", f"/{number:05}", size=number) for number in range(2_000)]
    with Spool(tmp_path / "spool") as spool:
        for entry in entries:
            spool.append(entry)
        spool.finish_listing()
        for number in range(0, 2_000, 7):
            assert spool.entry(number) == entries[number]
            process = os.fork()
            if not process:
                spool.reopen()
                os._exit(0)
            os.waitpid(process, 0)
            assert spool.entry(number + 3) == entries[number + 3]
