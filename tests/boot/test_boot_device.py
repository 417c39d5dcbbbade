"""Device elements: the published worked bytes, every form written apart, and everything else."""

from __future__ import annotations

import random
import struct

import pytest

from tests.boot import devices
from verify.boot.device import read_device

FORMS = {
    "gpt": devices.element(devices.gpt()),
    "mbr": devices.element(devices.mbr(0x03300000, 0xDEADBE01)),
    "boot": devices.element(devices.boot()),
    "ramdisk": devices.element(
        devices.ramdisk(
            devices.gpt(devices.RECOVERY_PARTITION), "\\Recovery\\WindowsRE\\Winre.wim"
        ),
        devices.OPTIONS,
    ),
    "ramdisk-mbr": devices.element(
        devices.ramdisk(devices.mbr(1 << 40, 1), "\\sources\\boot.wim"), devices.OPTIONS
    ),
    "ramdisk-boot": devices.element(
        devices.ramdisk(devices.boot(), "\\sources\\boot.wim"), devices.OPTIONS
    ),
    "file": devices.element(devices.file(devices.gpt(), "\\disks\\some.vhdx")),
    "vhd": devices.element(
        devices.virtual_disk(devices.file(devices.mbr(1 << 20, 7), "\\some.vhd"))
    ),
    "locate": devices.element(
        devices.locate(
            devices.virtual_disk(devices.file(devices.mbr(1 << 20, 7), "\\some.vhd")), 0x12000002
        )
    ),
}


def test_device_when_it_is_the_worked_mbr_dump_then_offset_and_signature_are_its() -> None:
    """The 88 bytes of a real MBR element: byte 368,050,176 (LBA 718,848), signature B3EBA8F1."""
    data = bytes(16) + bytes.fromhex(
        "06000000 00000000 48000000 00000000 0000f01500000000 0000000000000000"
        "00000000 01000000 f1a8ebb3"
    )
    device = read_device(data.ljust(88, b"\0"))
    assert (device.kind, device.scheme) == ("partition", "mbr")
    assert device.partition_offset == 368_050_176 == 718_848 * 512
    assert device.disk_id == "B3EBA8F1"
    assert device.options is None


def test_device_when_it_is_the_worked_gpt_example_then_both_guids_are_mixed_endian() -> None:
    """6EFB52BF-… and 7C69A706-… are stored as `bf 52 fb 6e …` and `06 a7 69 7c …`."""
    data = bytes.fromhex(
        "00000000000000000000000000000000 06000000000000004800000000000000"
        "bf52fb6e6617db41a6b30ee5eff72bd7 0000000000000000 06a7697ca5eddd11bc09001e4ce28b8f"
    )
    device = read_device(data.ljust(88, b"\0"))
    assert (device.kind, device.scheme) == ("partition", "gpt")
    assert device.partition_id == "6EFB52BF-1766-41DB-A6B3-0EE5EFF72BD7"
    assert device.disk_id == "7C69A706-EDA5-11DD-BC09-001E4CE28B8F"


def test_device_when_it_is_the_worked_gpt_rows_then_the_invented_ids_come_back() -> None:
    """The rows of docs/formats/bcd.md, typed in as they are printed there."""
    data = bytes.fromhex(
        "00 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00"
        "06 00 00 00 00 00 00 00 48 00 00 00 00 00 00 00"
        "05 05 05 05 00 00 00 40 80 00 00 00 00 00 00 03"
        "00 00 00 00 00 00 00 00 11 11 11 11 22 22 33 33"
        "44 44 55 55 55 55 55 01 00 00 00 00 00 00 00 00"
        "00 00 00 00 00 00 00 00"
    )
    device = read_device(data)
    assert device.disk_id == "11111111-2222-3333-4444-555555555501"
    assert device.partition_id == "05050505-0000-4000-8000-000000000003"


def test_device_when_it_is_the_worked_ramdisk_then_path_partition_and_options_are_its() -> None:
    """Offsets 010, 038, 044, 054, 06c and 08c of the worked RAM disk, laid out by hand."""
    data = bytearray(200)
    data[0x00:0x10] = bytes.fromhex("a4aaaaaa0000ee11800000155d000001")
    data[0x10:0x20] = bytes.fromhex("0000000001000000b800000000000000")
    data[0x20] = 3
    data[0x38:0x44] = bytes.fromhex("010000009000000005000000")
    data[0x44:0x54] = bytes.fromhex("06000000000000004800000000000000")
    data[0x54:0x64] = bytes.fromhex("4e4e4e4e000000408000000000000004")
    data[0x6C:0x7C] = bytes.fromhex("11111111222233334444555555555501")
    data[0x8C:] = "\\Recovery\\WindowsRE\\Winre.wim\0".encode("utf-16-le")
    device = read_device(bytes(data))
    assert device.kind == "ramdisk"
    assert device.path == "\\Recovery\\WindowsRE\\Winre.wim"
    assert device.options == "AAAAAAA4-0000-11EE-8000-00155D000001"
    assert device.parent is not None
    assert device.parent.partition_id == "4E4E4E4E-0000-4000-8000-000000000004"
    assert device.parent.disk_id == "11111111-2222-3333-4444-555555555501"
    assert device.innermost is device.parent


@pytest.mark.parametrize("name", FORMS)
def test_device_when_a_form_was_written_apart_then_it_is_understood_and_written_back(
    name: str,
) -> None:
    """A writer that shares no table with the reader makes the same bytes from what was read."""
    device = read_device(FORMS[name])
    assert device.understood
    kind = name.partition("-")[0]
    assert device.kind == {"gpt": "partition", "mbr": "partition"}.get(kind, kind)
    assert devices.encode(device) == FORMS[name]


def test_device_when_it_is_located_in_a_virtual_disk_then_every_layer_is_there() -> None:
    """Locate, virtual disk, file, partition: the deepest real shape."""
    device = read_device(FORMS["locate"])
    kinds = [device.kind]
    while device.parent is not None:
        device = device.parent
        kinds.append(device.kind)
    assert kinds == ["locate", "vhd", "file", "partition"]
    assert read_device(FORMS["locate"]).locate_element == "12000002"


@pytest.mark.parametrize("name", FORMS)
def test_device_when_any_one_byte_differs_then_it_is_read_exactly_or_unknown(name: str) -> None:
    """Whatever is understood writes back byte for byte: nothing stored was passed over."""
    changed = bytearray(FORMS[name])
    understood = 0
    for place in range(len(changed)):
        for flip in (0x01, 0x80, 0xFF):
            changed[place] ^= flip
            device = read_device(bytes(changed))
            if device.understood:
                understood += 1
                assert devices.encode(device) == bytes(changed)
            changed[place] ^= flip
    assert understood  # identities and paths may differ


@pytest.mark.parametrize("name", FORMS)
def test_device_when_it_is_cut_or_longer_then_it_is_unknown_with_its_bytes(name: str) -> None:
    """A length that disagrees with the stored size is no device."""
    for size in range(len(FORMS[name])):
        device = read_device(FORMS[name][:size])
        assert not device.understood
        assert device.innermost.reason
    longer = read_device(FORMS[name] + b"\0")
    assert longer.kind == "unknown"
    assert longer.raw == (FORMS[name][16:] + b"\0").hex().upper()


@pytest.mark.parametrize(
    ("what", "device"),
    [
        ("legacy partition", devices.descriptor(2, 0, bytes(56))),
        ("raw scheme", devices.descriptor(6, 0, bytes(20) + b"\2" + bytes(35))),
        ("network", devices.descriptor(4, 0, bytes(56))),
        ("boot with a body", devices.descriptor(5, 0, b"\1" + bytes(55))),
        ("boot of another length", devices.descriptor(5, 0, bytes(60))),
        ("compact disc", devices.descriptor(0, 0, struct.pack("<I", 2) + bytes(52))),
        ("partition with flags", devices.descriptor(6, 1, bytes(56))),
        ("located by a string", devices.descriptor(8, 0, struct.pack("<III", 1, 0, 0x1E))),
        ("RAM disk on a virtual disk", devices.ramdisk(FORMS["vhd"][16:], "\\x.wim")),
        ("virtual disk on a partition", devices.virtual_disk(devices.gpt())),
        ("locate on a partition", devices.locate(devices.gpt(), 0x22000002)),
        (
            "virtual disk in a virtual disk",
            devices.virtual_disk(devices.file(FORMS["vhd"][16:], "\\y.vhd")),
        ),
    ],
)
def test_device_when_no_sample_of_its_shape_was_seen_then_it_is_unknown(
    what: str, device: bytes
) -> None:
    """Open shapes are never guessed; their bytes are kept."""
    read = read_device(devices.element(device))
    assert not read.understood, what
    assert read.innermost.raw
    assert read.innermost.raw in device.hex().upper()


def test_device_when_devices_lie_inside_one_another_endlessly_then_the_answer_is_quick() -> None:
    """4 MiB of nested files end at the first that may not hold another."""
    device = devices.gpt()
    while len(device) < 1 << 20:
        device = devices.file(device + bytes(len(device)), "\\x")
    assert not read_device(devices.element(device)).understood


def test_device_when_bytes_are_random_then_there_is_always_an_answer() -> None:
    """Bytes of any length give a device, and one that is understood only if it is all of them."""
    chance = random.Random(20)
    for _ in range(3_000):
        data = chance.randbytes(chance.randrange(0, 240))
        assert not read_device(data).understood
