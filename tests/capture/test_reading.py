"""Reading entries: what two names of one file have in common, and what each has of its own."""

from __future__ import annotations

import io
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

from blake3 import blake3

from tests.support.drives import memory_window
from verify.capture.file_reading import EntryReading, Wanted, noted_entry
from verify.capture.readers.messages import Reporter
from verify.capture.row_store import RowStore
from verify.filesystem.entry import Entry
from verify.manifest.draw import FILE_BLOCK_BYTES

if TYPE_CHECKING:
    from pathlib import Path

DATA = bytes(range(256)) * (9 << 12)
"""Larger than what is drawn whole."""


def test_names_of_one_file_when_blocks_are_drawn_then_each_has_its_own(tmp_path: Path) -> None:
    """The lottery goes by path: a clone draws the same blocks for the same name."""
    volume: Any = SimpleNamespace(
        narrowed=0,
        prepare=lambda _: None,
        straight=lambda _node, _size: None,
        read=lambda _entry, at, length, _stream=None: DATA[at : at + length],
    )
    drive: Any = SimpleNamespace(failures=0, given_up=False, unreadable=[])
    window = memory_window(bytes(len(DATA)))
    reading = EntryReading(drive, window, volume, Reporter(io.StringIO()))
    wanted = Wanted({0, 1, 2}, blocks={0: [1, 3], 1: [2]})
    with RowStore(tmp_path / "spool") as store:
        for name in "abc":
            store.append(Entry("file", f"/{name}", size=len(DATA), node=7, links=3))
        store.finish_listing()
        notes = dict(reading.read_all(store, [0, 1, 2], wanted))
        found = [noted_entry(store, number, notes[number]) for number in range(3)]
    assert {entry.digest for entry in found} == {blake3(DATA).hexdigest()}
    assert [[index for index, _ in entry.blocks] for entry in found] == [[1, 3], [2], []]
    block = DATA[2 * FILE_BLOCK_BYTES : 3 * FILE_BLOCK_BYTES]
    assert found[1].blocks == [(2, blake3(block).hexdigest())]
