"""Hives that are damaged, cut, looping or made to be endless: an answer, always, and soon."""

from __future__ import annotations

import json
import lzma
import random
import struct
import time
from dataclasses import asdict
from typing import TYPE_CHECKING

import pyregf
import pytest

from tests.boot import stores
from tests.boot.hives import NOWHERE, REG_BINARY, HiveKey, HiveWriter, write_hive
from verify.boot.bcd import read_store
from verify.boot.hive import FOREIGN_ERRORS, Budget, Hive
from verify.boot.registry import read_system
from verify.errors import StructureError, TooMuch

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from verify.boot.hive import Key
    from verify.boot.store_record import BootStore

RUNS = 300


def answer(data: bytes) -> BootStore | None:
    """Read a store; a `StructureError` is an answer, anything else a failure of the test."""
    started = time.monotonic()
    try:
        store = read_store(data)
    except StructureError:
        return None
    finally:
        assert time.monotonic() - started < 15
    json.dumps(
        asdict(store), ensure_ascii=False
    ).encode()  # what the manifest does: no lone surrogates, no bytes
    return store


def test_hive_when_bytes_are_overwritten_then_every_run_has_an_answer() -> None:
    """Three hundred stores with 1 to 40 random bytes: read, told of, or refused."""
    chance = random.Random(3)
    original = stores.small_store().write()
    whole = answer(original)
    outcomes = set()
    for _ in range(RUNS):
        data = bytearray(original)
        for _ in range(chance.randrange(1, 40)):
            data[chance.randrange(4096, len(data))] = chance.randrange(256)
        store = answer(bytes(data))
        if store is None:
            outcomes.add("refused")
        elif store.problems:
            outcomes.add("told")
        else:
            outcomes.add("same" if store == whole else "other")
    assert {"refused", "told"} <= outcomes


def test_hive_when_it_is_cut_anywhere_then_it_is_refused_or_told_of() -> None:
    """A hive shorter than its base block says is never read as a whole one."""
    data = stores.small_store().write()
    for size in range(0, len(data) - 1, 97):
        store = answer(data[:size])
        assert store is None or store.problems


def test_hive_when_a_key_is_its_own_child_then_the_walk_ends(corpus: Path) -> None:
    """Every key offset in every list of a real store points at the objects' own key."""
    data = bytearray((corpus / "bcd-regipy.bcd").read_bytes())
    place = data.find(b"Objects") - 76 - 4096 - 4
    assert data[4096 + place + 4 : 4096 + place + 6] == b"nk"
    changed = 0
    at = 4096
    while (at := data.find(b"lf", at + 1)) > 0 or (at := data.find(b"lh", at + 1)) > 0:
        (count,) = struct.unpack_from("<H", data, at + 2)
        for index in range(min(count, 64)):
            if at + 12 + index * 8 <= len(data):
                struct.pack_into("<I", data, at + 4 + index * 8, place)
                changed += 1
        if changed > 2_000:
            break
    assert changed
    answer(bytes(data))


def test_hive_when_a_list_of_lists_holds_itself_then_there_is_an_answer() -> None:
    """An `ri` cell that names itself as its only list."""
    writer = HiveWriter()
    security = writer.cell(struct.pack("<2sHIIII", b"sk", 0, 0, 0, 1, 4) + bytes(4))
    itself = len(writer.cells)
    assert writer.cell(struct.pack("<2sHI", b"ri", 1, itself)) == itself
    root = writer.key(HiveKey("NewStoreRoot"), security, root=True)
    struct.pack_into("<I", writer.cells, root + 4 + 20, 1)
    struct.pack_into("<I", writer.cells, root + 4 + 28, itself)
    assert answer(writer.finish(root)) is None


def test_hive_when_one_value_is_named_endlessly_then_the_budget_ends_it() -> None:
    """Thousands of keys share one value of half a MiB: what is read stays small."""
    store = stores.StoreBuilder()
    store.object(stores.MANAGER, 0x10100002)
    store.raw(stores.MANAGER, "22000099", REG_BINARY, bytes(512 << 10))
    data = bytearray(store.write())
    key = data.rfind(b"22000099") - 76 - 4096 - 4
    writer = HiveWriter()
    writer.cells = data[4096:]
    rows = struct.pack("<I4s", key, b"2200") * 4_000
    listed = writer.cell(struct.pack("<2sH", b"lf", 4_000) + rows)
    elements = data.rfind(b"Elements") - 76 - 4096
    struct.pack_into("<I", writer.cells, elements + 20, 4_000)
    struct.pack_into("<I", writer.cells, elements + 28, listed)
    (root,) = struct.unpack_from("<I", data, 36)
    found = answer(writer.finish(root))
    assert found is not None
    assert any("bytes of values" in problem for problem in found.problems)


@pytest.mark.parametrize(
    ("limits", "what"),
    [
        ({"steps": 5}, "keys and values"),
        ({"value_bytes": 3}, "bytes of values"),
        ({"seconds": -1}, "seconds"),
    ],
)
def test_budget_when_it_is_used_up_then_a_named_error(limits: dict[str, int], what: str) -> None:
    """Steps, bytes and time each end the walk by themselves."""
    hive = Hive(stores.small_store().write(), budget=Budget(**limits))
    with pytest.raises(TooMuch, match=what):
        list(everything(hive.root))


def everything(key: Key) -> Iterator[str]:
    """Yield the names of all keys and values at and below a key."""
    for value in key.values():
        yield value.name
    for below in key.subkeys():
        yield from everything(below)


def test_store_when_it_holds_more_keys_than_any_then_what_was_read_stands() -> None:
    """Thirty thousand elements: the budget ends it, and says so."""
    root = HiveKey("NewStoreRoot")
    for object_ in range(30):
        elements = root.add("Objects", f"{{{object_:08x}-0000-0000-0000-000000000000}}", "Elements")
        elements.keys = [HiveKey(f"{0x12000000 + place:08x}") for place in range(1_000)]
    data = write_hive(root)
    found = answer(data)
    assert found is not None
    assert any("keys and values" in problem for problem in found.problems)
    assert 0 < len(found.objects) < 30


@pytest.mark.parametrize("error", FOREIGN_ERRORS)
def test_hive_when_the_library_raises_any_of_its_errors_then_ours_comes(
    error: type[Exception], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each row of the table of foreign errors, raised on opening and in the middle of a walk."""

    class Broken:
        number_of_sub_keys = 1

        def open_file_object(self, _file: object) -> None:
            if self.fails:
                raise error("x")

        def get_root_key(self) -> Broken:
            return self

        def get_sub_key_by_name(self, _name: str) -> None:
            raise error("x")

        fails = True

    monkeypatch.setattr(pyregf, "file", Broken)
    data = stores.small_store().write()
    with pytest.raises(StructureError):
        Hive(data)
    Broken.fails = False
    hive = Hive(data)
    assert hive.root.key("Objects") is None
    assert hive.problems == [f"key Objects of the root: {FOREIGN_ERRORS[error]}"]


def test_hive_when_something_else_is_raised_then_it_is_not_hidden(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A fault of ours is no state of the drive."""

    class Broken:
        def open_file_object(self, _file: object) -> None:
            raise ZeroDivisionError

    monkeypatch.setattr(pyregf, "file", Broken)
    with pytest.raises(ZeroDivisionError):
        Hive(stores.small_store().write())


def test_system_when_a_real_hive_is_damaged_then_every_run_has_an_answer(corpus: Path) -> None:
    """A real 11 MiB hive with one byte in ten thousand overwritten, and cut in half."""
    original = lzma.decompress((corpus / "hive-SYSTEM-win.hiv.xz").read_bytes())
    chance = random.Random(5)
    for run in range(6):
        data = bytearray(original[: len(original) // 2] if run == 0 else original)
        for _ in range(run * 200):
            data[chance.randrange(4096, len(data))] = chance.randrange(256)
        started = time.monotonic()
        try:
            found = read_system(bytes(data))
        except StructureError:
            continue
        finally:
            assert time.monotonic() - started < 60
        json.dumps(asdict(found), ensure_ascii=False).encode()
        assert run or found.problems


def test_hive_when_its_offsets_lead_nowhere_then_it_is_refused() -> None:
    """A root cell offset outside the hive, and one that is no key."""
    for offset in (NOWHERE, 0, 0x7FFFFFF0, 4096 * 4096):
        data = bytearray(stores.small_store().write())
        struct.pack_into("<I", data, 36, offset)
        assert answer(bytes(data)) is None
