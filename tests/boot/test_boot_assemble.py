"""One partition's boot record from its files: each to its reader, none stops the rest."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import pytest
from pydantic import TypeAdapter

from tests.boot import stores
from verify.boot import assemble as assembling
from verify.boot.assemble import Assembly, assemble
from verify.boot.boot_record import BootRecord

BCD = "/EFI/Microsoft/Boot/BCD"
WIM = (Path(__file__).parent / "data" / "small.wim").read_bytes()


def test_record_when_files_of_every_role_are_given_then_each_has_its_place() -> None:
    """An EFI system partition: store, loader, configuration, RAM disk."""
    files = {
        BCD: stores.small_store().write(),
        "/EFI/Boot/bootx64.efi": b"MZ" + bytes(4000),
        "/EFI/quire/grub.cfg": b"search --fs-uuid --set=root AAAA-0001\n",
        "/initramfs-1.img": b"",
        "/EFI/readme.txt": b"nothing that is looked at",
    }
    record = assemble(files, "fat32", head=bytes(1024))
    assert [store.path for store in record.stores] == [BCD]
    assert [(item.path, item.form) for item in record.loaders] == [("/EFI/Boot/bootx64.efi", "mz")]
    assert [item.kind for item in record.linux] == ["uuid"]
    assert [item.path for item in record.initramfs] == ["/initramfs-1.img"]
    assert record.file("\\efi\\BOOT\\BOOTX64.EFI") is not None
    assert record.file("/EFI/readme.txt") is None
    assert record.code is not None
    assert not record.code.present


def test_record_when_a_log_holds_anything_then_the_hive_has_it() -> None:
    """An emptied log, which a clean start leaves, says nothing."""
    files = {BCD: stores.small_store().write(), f"{BCD}.LOG1": b"regf", f"{BCD}.LOG2": bytes(512)}
    for order in (files, dict(reversed(files.items()))):
        state = assemble(order, "fat32").stores[0].state
        assert state is not None
        assert state.logs == (f"{BCD}.LOG1",)


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        (BCD, "fat32"),
        ("/Windows/System32/Recovery/ReAgent.xml", "ntfs"),
        ("/Windows/System32/config/SYSTEM", "ntfs"),
    ],
)
@pytest.mark.parametrize("data", [b"", b"noise", bytes(9000)])
def test_record_when_a_file_makes_no_sense_then_it_stands_there_with_its_problem(
    path: str, kind: str, data: bytes
) -> None:
    """Store, recovery configuration, registry: there, and of no use."""
    record = assemble({path: data}, kind)
    parts = (*record.stores, *record.recovery, record.registry)
    (found,) = (asdict(part) for part in parts if part is not None)
    assert found["path"] == path
    assert found.get("problem") or found.get("problems")


def test_record_when_less_than_the_whole_was_read_then_it_is_not_taken_for_whole() -> None:
    """Half a store would lack entries that are there."""
    data = stores.small_store().write()
    record = assemble({BCD: data}, "fat32", {BCD: len(data) + 1})
    assert record.stores[0].state is None
    assert "bytes were read" in record.stores[0].problems[0]


def test_record_when_a_file_cannot_be_read_then_it_is_there_all_the_same() -> None:
    """A read error is no absence."""
    assembly = Assembly("fat32")
    assembly.unreadable(BCD, "sector 7 cannot be read")
    assembly.unreadable("/EFI/Boot/bootx64.efi", "sector 8 cannot be read")
    record = assembly.record()
    assert record.stores[0].problems == ("sector 7 cannot be read",)
    assert record.problems == ("/EFI/Boot/bootx64.efi: sector 8 cannot be read",)
    assert record.file("/EFI/Boot/bootx64.efi") is not None


def test_record_when_there_are_very_many_files_then_it_ends_and_says_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A hostile volume may hold as many loaders as it has room for."""
    monkeypatch.setattr(assembling, "MOST_FILES", 5)
    record = assemble({f"/EFI/{number}.efi": b"x" for number in range(9)}, "fat32")
    assert len(record.loaders) == len(record.files) == 5
    assert record.problems == ("more than 5 files: the rest was not looked at",)


def test_record_when_it_goes_through_json_then_it_comes_back_whole() -> None:
    """As it stands in a manifest, devices inside devices included."""
    files = {BCD: stores.small_store().write(), "/Recovery/a/b.wim": WIM}
    record = assemble(files, "fat32", head=bytes(1024))
    assert record.images
    written = json.dumps(asdict(record))
    assert TypeAdapter(BootRecord).validate_json(written) == record
