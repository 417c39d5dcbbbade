"""Boot stores: the real ones against independent readings, made ones against what was written."""

from __future__ import annotations

import base64
import json
import struct
import subprocess
from typing import TYPE_CHECKING, Any
from uuid import UUID
from xml.etree import ElementTree as ET

import pytest

from tests.boot import devices, stores
from tests.boot.hives import REG_BINARY, REG_MULTI_SZ, REG_SZ, HiveKey, text, write_hive
from verify.boot.bcd import guid_of, read_store
from verify.boot.hive import Hive
from verify.boot.reach import BOOT_MANAGER
from verify.errors import StructureError
from verify.structs.regf import base_block_checksum

if TYPE_CHECKING:
    from pathlib import Path

    from verify.boot.store_record import BootStore, Device, Reference

REAL = ("bcd-regipy", "bcd-wdl")
READABLE = (
    *REAL,
    "bcd-sd-win10",
    "bcd-sd-description-bad-type",
    "bcd-sd-description-missing",
    "bcd-sd-displayorder-bad-size",
)


def expected(corpus: Path, name: str) -> dict[str, Any]:
    """The corpus' figures for one hive, by dissect.regf and regipy."""
    with (corpus / "expected.json").open() as file:
        found: dict[str, Any] = json.load(file)["images"][name]["hive"]
    return found


def read(corpus: Path, name: str) -> BootStore:
    """Read one store of the corpus."""
    return read_store((corpus / f"{name}.bcd").read_bytes(), name)


def routes(store: BootStore) -> dict[str, tuple[str, ...]]:
    """The routes to each object with a device."""
    return {item.object.lower(): item.reached_by for item in store.references}


# --- real stores ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", READABLE)
def test_store_when_it_is_of_the_corpus_then_counts_and_state_are_the_other_readers(
    corpus: Path, name: str
) -> None:
    """Objects, elements, device elements, sequence numbers: dissect.regf's and regipy's."""
    figures, store = expected(corpus, name), read(corpus, name)
    elements = [element for item in store.objects for element in item.elements]
    # NOTE: in description-missing the element's key is there and its value is not; the other
    # readers count keys, and here it is reported as a problem.
    without_value = len(store.problems)
    assert len(store.objects) == figures["objects"]
    assert len(elements) + without_value == figures["elements_total"]
    # NOTE: that figure counts classes 1 and 2; the options object's device (31000003) is class 3.
    plain = [item for item in store.references if item.purpose != "options"]
    assert len(plain) == figures["device_elements"]
    assert without_value == (name == "bcd-sd-description-missing")
    assert store.state is not None
    assert store.state.primary_sequence == figures["seq1"]
    assert store.state.secondary_sequence == figures["seq2"]
    assert store.state.dirty == figures["dirty"]
    assert store.state.hive_bins_bytes == figures["hbins_size"]
    assert store.state.size_bytes == figures["size"]
    assert store.state.stored_checksum == store.state.computed_checksum


@pytest.mark.parametrize("name", READABLE)
def test_store_when_it_is_of_the_corpus_then_the_boot_manager_says_the_same(
    corpus: Path, name: str
) -> None:
    """Path, default, display order and timeout as dissect.regf reads them."""
    figures, manager = expected(corpus, name)["bootmgr"], read(corpus, name).object(BOOT_MANAGER)
    assert manager is not None
    values = {item.number: item.value for item in manager.elements}
    assert values.get("12000002") == figures["12000002"]
    assert values.get("23000003") == (figures["23000003"] and guid_of(figures["23000003"]))
    assert list(values.get("24000001") or ()) == [guid_of(item) for item in figures["24000001"]]  # type: ignore[arg-type]
    if figures["25000004"]:
        timeout = int.from_bytes(bytes.fromhex(figures["25000004"]["hex"]), "little")
        assert values["25000004"] == timeout


@pytest.mark.parametrize("name", REAL)
def test_store_when_it_is_real_then_the_loaders_are_the_other_readers(
    corpus: Path, name: str
) -> None:
    """GUID, description and path of every operating system loader (type 10200003)."""
    loaders = [item for item in read(corpus, name).objects if item.type == "10200003"]
    found = []
    for item in loaders:
        path = item.element("12000002")
        assert path is not None
        guid = "{" + item.guid.lower() + "}"
        found.append({"guid": guid, "description": item.description, "path": path.value})
    assert found == expected(corpus, name)["osloaders"]


def _hivex(path: Path) -> dict[tuple[str, str], bytes]:
    """Every element of a store as hivex reads it: (object, number) to bytes.

    hivexml gives text where it can and base64 where it cannot; text is encoded again.
    """
    printed = subprocess.run(["hivexml", str(path)], check=True, capture_output=True).stdout
    found = {}
    root = ET.fromstring(printed).find("node")  # noqa: S314 - hivexml's own output
    assert root is not None
    for item in root.findall("node[@name='Objects']/node"):
        for element in item.findall("node[@name='Elements']/node"):
            value = element.find("value[@key='Element']")
            if value is None:
                continue
            stored = value.get("value") or ""
            if value.get("encoding") == "base64":
                data = base64.b64decode(stored)
            else:
                strings = [part.text or "" for part in value.findall("string")]
                data = "\0".join(strings or [stored]).encode("utf-16-le")
            key = guid_of(str(item.get("name"))), str(element.get("name")).upper()
            found[str(key[0]), key[1]] = data
    return found


@pytest.mark.tools("hivexml")
@pytest.mark.parametrize("name", REAL)
def test_store_when_it_is_real_then_every_element_is_what_hivex_reads(
    corpus: Path, name: str
) -> None:
    """All elements of both stores: the same keys, and values that say the same."""
    store, other = read(corpus, name), _hivex(corpus / f"{name}.bcd")
    ours = {(item.guid, el.number): el for item in store.objects for el in item.elements}
    assert ours.keys() == other.keys()
    for key, element in ours.items():
        data = other[key]
        assert element.raw is None
        if element.device is not None:
            assert devices.encode(element.device) == data
        elif isinstance(element.value, bool):
            assert data == (b"\1" if element.value else b"\0")
        elif isinstance(element.value, int):
            assert element.value == int.from_bytes(data, "little")
        elif isinstance(element.value, tuple) and key[1][1] == "7":
            assert element.value == struct.unpack(f"<{len(data) // 8}Q", data)
        else:
            strings = [part for part in data.decode("utf-16-le").split("\0") if part]
            values = element.value if isinstance(element.value, tuple) else (element.value,)
            assert [guid_of(part) or part for part in strings] == list(values)


@pytest.mark.parametrize("name", REAL)
def test_store_when_it_is_real_then_every_device_element_is_understood(
    corpus: Path, name: str
) -> None:
    """Sixteen elements that a system wrote, none of them unknown."""
    store = read(corpus, name)
    assert all(item.device.understood for item in store.references)
    kinds = {item.device.kind for item in store.references}
    assert kinds == {"bcd-regipy": {"partition", "ramdisk"}, "bcd-wdl": {"partition", "boot"}}[name]


def test_store_when_objects_name_another_drive_and_are_never_reached_then_no_route(
    corpus: Path,
) -> None:
    """The real UEFI store holds three firmware entries of another disk; none matters here."""
    store = read(corpus, "bcd-regipy")
    disks: dict[str | None, set[bool]] = {}
    for item in store.references:
        reached = bool(item.reached_by)
        disks.setdefault(item.device.innermost.disk_id, set()).add(reached)
    assert sorted(map(sorted, disks.values())) == [[False], [True]]
    firmware = [item for item in store.references if item.object_type == "101FFFFF"]
    assert len(firmware) == 3
    assert not any(item.reachable for item in firmware)


def test_store_when_it_is_real_then_recovery_is_reached_with_its_options(corpus: Path) -> None:
    """733b62e6-… is reached as recovery, 733b62e7-… as its options, the tester as a tool only."""
    store = read(corpus, "bcd-regipy")
    found = routes(store)
    assert found["733b62e5-f608-11eb-825c-c112f60133ab"] == ("default", "display-order")
    assert found["733b62e4-f608-11eb-825c-c112f60133ab"] == ("resume",)
    assert found["733b62e6-f608-11eb-825c-c112f60133ab"] == ("recovery",)
    assert found["733b62e7-f608-11eb-825c-c112f60133ab"] == ("options",)
    assert found[stores.TESTER] == ("tools",)
    options = next(item for item in store.references if item.purpose == "options")
    assert options.path == "\\Recovery\\WindowsRE\\boot.sdi"
    assert not store.missing


def test_store_when_the_hive_is_corrupt_then_a_named_error(corpus: Path) -> None:
    """A key with a name longer than its cell: dissect.regf and regipy give up on it too."""
    assert "dissect_error" in expected(corpus, "bcd-sd-corrupt")
    with pytest.raises(StructureError):
        read(corpus, "bcd-sd-corrupt")


def test_store_when_a_description_is_stored_as_a_list_then_it_is_kept_raw(corpus: Path) -> None:
    """A string element is REG_SZ; the bytes of another type stand as they are, not as text."""
    store = read(corpus, "bcd-sd-description-bad-type")
    element = next(
        element for item in store.objects for element in item.elements if element.number[1] == "2"
    )
    assert element.value is None
    assert element.raw == "Windows 11\0\0".encode("utf-16-le").hex().upper()


# --- made stores ------------------------------------------------------------------------------


def test_store_when_it_was_written_here_then_every_value_comes_back() -> None:
    """Each format once: device, text, object, objects, number, flag, numbers."""
    store = read_store(stores.small_store().write(), "/EFI/Microsoft/Boot/BCD")
    loader = store.object("{" + stores.LOADER + "}")
    assert loader is not None
    values = {item.number: item.value for item in loader.elements}
    assert loader.description == values["12000004"] == "Some System"
    assert values["23000003"] == stores.RESUME.upper()
    assert values["14000008"] == (stores.RECOVERY.upper(),)
    assert values["16000009"] is True
    assert values["17000077"] == (0x15000075,)
    assert (loader.type, store.path) == ("10200003", "/EFI/Microsoft/Boot/BCD")
    assert store.problems == ()


def test_store_when_it_was_written_here_then_purposes_and_paths_go_with_their_devices() -> None:
    """21000001 is the system of a loader and the hibernation file's place of a resume object."""
    store = read_store(stores.small_store().write())
    found = {(item.object.lower(), item.element): item for item in store.references}

    def said(guid: str, element: str) -> tuple[str, str | None]:
        item: Reference = found[guid, element]
        return item.purpose, item.path

    assert said(stores.LOADER, "11000001") == ("application", "\\Windows\\system32\\winload.efi")
    assert said(stores.LOADER, "21000001") == ("system", "\\Windows")
    assert said(stores.RESUME, "21000001") == ("resume", "\\hiberfil.sys")
    assert said(stores.RECOVERY_OPTIONS, "31000003")[0] == "options"
    assert said(stores.TESTER, "11000001") == ("application", None)


@pytest.mark.parametrize("data", [b"\1", b"\1\2", b"\1\2\3", b"\1\2\3\4", b"\1\2\3\4\5"])
def test_value_when_it_is_only_a_few_bytes_then_they_are_the_stored_ones(data: bytes) -> None:
    """Up to four bytes lie in the value's own cell, where the library takes the wrong ones."""
    root = HiveKey("SomeRoot")
    root.set("Short", REG_BINARY, data)
    value = Hive(write_hive(root)).root.value("Short")
    assert value is not None
    assert value.data == data


def test_reach_when_objects_name_each_other_in_circles_then_each_is_visited() -> None:
    """Recovery of a loader that is the recovery of itself, and inheritance in a ring."""
    store = stores.small_store()
    store.link(stores.RECOVERY, "14000008", stores.LOADER, stores.RECOVERY)
    store.link(stores.SETTINGS, "14000006", stores.SETTINGS, stores.MANAGER)
    found = routes(read_store(store.write()))
    assert found[stores.LOADER] == ("default", "display-order", "recovery")
    assert found[stores.RECOVERY] == ("recovery",)
    assert found[stores.MANAGER] == ("manager", "inherited")


def test_reach_when_named_objects_are_not_there_then_they_are_missing() -> None:
    """A default, a recovery sequence and an options object that the store does not hold."""
    store = stores.StoreBuilder()
    store.object(stores.MANAGER, 0x10100002)
    store.link(stores.MANAGER, "23000003", stores.LOADER)
    store.link(stores.MANAGER, "24000001", stores.RECOVERY)
    store.object(stores.RECOVERY, 0x10200003)
    image = devices.ramdisk(devices.gpt(), "\\x.wim")
    store.device(stores.RECOVERY, "11000001", image, stores.RECOVERY_OPTIONS)
    missing = read_store(store.write()).missing
    assert {(item.guid.lower(), item.reached_by) for item in missing} == {
        (stores.LOADER, "default"),
        (stores.RECOVERY_OPTIONS, "options"),
    }


def test_reach_when_there_is_no_boot_manager_then_nothing_is_reached() -> None:
    """Without {bootmgr} no object is ever started from this store."""
    store = stores.small_store()
    objects = store.root.add("Objects")
    objects.keys = [key for key in objects.keys if stores.MANAGER not in key.name]
    assert not any(item.reached_by for item in read_store(store.write()).references)


def test_reach_when_a_tool_names_an_object_then_that_is_a_tools_too() -> None:
    """What only the tools menu leads to does not matter, however it goes on from there."""
    store = stores.small_store()
    store.link(stores.TESTER, "14000008", stores.FIRMWARE)
    found = {item.object.lower(): item for item in read_store(store.write()).references}
    assert found[stores.FIRMWARE].reached_by == ("tools",)
    assert not found[stores.FIRMWARE].reachable


@pytest.mark.parametrize(
    ("number", "kind", "data"),
    [
        ("11000001", REG_SZ, text("x")),
        ("12000002", REG_BINARY, b"x"),
        ("12000002", REG_SZ, b"\0\xd8"),
        ("12000002", REG_SZ, b"odd"),
        ("14000006", REG_MULTI_SZ, text("no guid")),
        ("23000003", REG_SZ, text("{default}")),
        ("25000004", REG_BINARY, bytes(9)),
        ("25000004", REG_BINARY, b""),
        ("26000022", REG_BINARY, b"\0\0"),
        ("17000077", REG_BINARY, bytes(7)),
        ("18000001", REG_BINARY, b"\1"),
    ],
)
def test_element_when_its_value_is_not_of_its_format_then_its_bytes_are_kept(
    number: str, kind: int, data: bytes
) -> None:
    """The value of another registry type, length or encoding is not read as something it is not."""
    store = stores.StoreBuilder()
    store.object(stores.MANAGER, 0x10100002)
    store.raw(stores.MANAGER, number, kind, data)
    manager = read_store(store.write()).objects[0]
    assert manager.elements[0].raw == data.hex().upper()
    assert manager.elements[0].value is None
    assert manager.elements[0].device is None


def test_store_when_keys_are_called_something_else_then_that_is_a_problem() -> None:
    """An object that is no GUID and an element that is no type are reported, the rest is read."""
    store = stores.small_store()
    store.root.add("Objects", "nonsense", "Elements")
    store.root.add("Objects", "{" + stores.LOADER + "}", "Elements", "12zz0002")
    found = read_store(store.write())
    assert len(found.problems) == 2
    assert len(found.objects) == 8


def test_store_when_sequence_numbers_differ_then_it_is_dirty() -> None:
    """The second number is written last: while it is behind, changes are pending."""
    data = bytearray(stores.small_store().write())
    data[4] += 1
    data[508:512] = base_block_checksum(bytes(data)).to_bytes(4, "little")
    store = read_store(bytes(data), logs=("/EFI/Microsoft/Boot/BCD.LOG1",))
    assert store.state is not None
    assert store.state.dirty
    assert store.state.logs == ("/EFI/Microsoft/Boot/BCD.LOG1",)


def test_store_when_it_is_larger_than_any_real_one_then_a_named_error() -> None:
    """The cap itself is read, one byte more is not."""
    data = stores.small_store().write()
    assert read_store(data.ljust(4 << 20, b"\0")).objects
    with pytest.raises(StructureError, match="size"):
        read_store(data.ljust((4 << 20) + 1, b"\0"))


@pytest.mark.parametrize("data", [b"", b"regf", b"text, no hive" * 400, bytes(8192)])
def test_store_when_the_bytes_are_no_hive_then_a_named_error(data: bytes) -> None:
    """Nothing, too little, something else, zeros."""
    with pytest.raises(StructureError):
        read_store(data)


def test_store_when_it_has_no_objects_then_a_named_error() -> None:
    """Another registry hive is no boot store."""
    with pytest.raises(StructureError, match="Objects"):
        read_store(write_hive(HiveKey("SomeRoot")))


@pytest.mark.tools("hivexsh")
def test_store_when_hivexsh_filled_it_then_every_device_form_is_read(tmp_path: Path) -> None:
    """A hive that another program filled: 8 KiB to begin with, one element for each form."""
    path = tmp_path / "BCD"
    path.write_bytes(write_hive(HiveKey("NewStoreRoot")))
    assert path.stat().st_size == 8192
    forms: dict[str, bytes] = {
        "partition": devices.gpt(),
        "boot": devices.boot(),
        "ramdisk": devices.ramdisk(devices.mbr(1 << 20, 0xDEADBE01), "\\some.wim"),
        "file": devices.file(devices.gpt(), "\\some.vhdx"),
        "vhd": devices.virtual_disk(devices.file(devices.gpt(), "\\some.vhd")),
        "locate": devices.locate(
            devices.virtual_disk(devices.file(devices.boot(), "\\some.vhd")), 0x22000002
        ),
    }
    lines = ["add Objects", "cd \\Objects"]
    guids = {kind: str(UUID(int=place + 1)) for place, kind in enumerate(forms)}
    for kind, guid in guids.items():
        data = devices.element(forms[kind], devices.OPTIONS)
        lines += ["cd \\Objects", f"add {{{guid}}}", f"cd \\Objects\\{{{guid}}}", "add Elements"]
        lines += ["cd Elements", "add 11000001", "cd 11000001", "setval 1", "Element"]
        lines += ["hex:3:" + data.hex(",")]
    script = "\n".join([*lines, "commit", ""])
    subprocess.run(["hivexsh", "-w", str(path)], input=script, text=True, check=True)
    store = read_store(path.read_bytes())
    found: dict[str, Device] = {item.object.lower(): item.device for item in store.references}
    assert {kind: found[guid].kind for kind, guid in guids.items()} == {
        kind: kind for kind in forms
    }
    for kind, guid in guids.items():
        assert devices.encode(found[guid]) == devices.element(forms[kind], devices.OPTIONS)


@pytest.mark.tools("hivexml")
def test_writer_when_hivex_reads_a_made_store_then_it_finds_what_was_written(
    tmp_path: Path,
) -> None:
    """The hives of these tests are hives: another program reads every element from them."""
    path = tmp_path / "BCD"
    path.write_bytes(stores.small_store().write())
    found = _hivex(path)
    assert found[stores.LOADER.upper(), "11000001"] == devices.element(devices.gpt())
    assert found[stores.LOADER.upper(), "22000002"].decode("utf-16-le") == "\\Windows"
    assert len(found) == 26
