"""Headers of kinds that are not listed: whole ones are whole, damage is reported as by its tool.

Oracles: `cryptsetup luksDump`, `xfs_repair -n` and `btrfs check --readonly` on the same bytes: what
they refuse is refused here. BitLocker has no tool here: its arithmetic (a CRC-32 behind each block)
is held against foreign images; of LVM, whole volumes alone are its own tools'.
"""

from __future__ import annotations

import lzma
import subprocess
import zlib
from typing import TYPE_CHECKING

import pytest

from tests.support.drives import memory_window
from verify.filesystem.examination import Effect
from verify.filesystem.examine import EXAMINERS
from verify.structs import opaque as tables

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from verify.filesystem.examination import Fault

MIB = 1 << 20
GROUP = 80 * MIB
"""The allocation groups of XFS on 320 MiB: four of them."""


def run(*command: str) -> subprocess.CompletedProcess[str]:
    """Run a tool."""
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)


def made(folder: Path, kind: str) -> bytes:
    """Return a fresh volume of a kind, by its own tool."""
    image = folder / "volume.img"
    sizes = {"xfs": 320 * MIB, "btrfs": 128 * MIB, "lvm": 16 * MIB}
    with image.open("wb") as file:
        file.truncate(sizes.get(kind, 20 * MIB))
    path = str(image)
    commands = {
        "luks1": ("cryptsetup", "luksFormat", "--type", "luks1", *LUKS_FAST, path),
        "luks2": ("cryptsetup", "luksFormat", "--type", "luks2", *LUKS_FAST, path),
        "lvm": ("pvcreate", "-q", "--metadatacopies", "2", "--devices", path, path),
        "xfs": ("mkfs.xfs", "-q", path),
        "btrfs": ("mkfs.btrfs", "-q", path),
    }
    if kind == "lvm":
        return with_lvm(path)
    command = commands[kind]
    done = subprocess.run(
        command, input="quire-key", capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    return image.read_bytes()


LUKS_FAST = ("-q", "--pbkdf", "pbkdf2", "--pbkdf-force-iterations", "1000", "--key-file", "-")


def with_lvm(path: str) -> bytes:
    """Return a physical volume of a group, with two copies of its metadata."""
    loop = run("losetup", "-f", "--show", path).stdout.strip()
    try:
        chosen = ("--devices", loop)
        done = run("pvcreate", "-q", "-ff", "-y", "--metadatacopies", "2", *chosen, loop)
        assert done.returncode == 0, done.stderr
        done = run("vgcreate", "-q", "-y", *chosen, "witness_test", loop)
        assert done.returncode == 0, done.stderr
    finally:
        run("losetup", "-d", loop)
    with open(path, "rb") as file:  # noqa: PTH123
        return file.read()


@pytest.fixture(scope="module")
def volumes(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], bytes]:
    """Make each volume once."""
    known: dict[str, bytes] = {}

    def volume(kind: str) -> bytes:
        if kind not in known:
            known[kind] = made(tmp_path_factory.mktemp(kind), kind)
        return known[kind]

    return volume


def faults(kind: str, data: bytes) -> list[Fault]:
    """Return what an examination finds."""
    found = EXAMINERS[kind.rstrip("12")](memory_window(data), lambda: None)
    assert found.allocation is None
    assert found.structure.compared
    assert not found.structure.left_out
    return list(found.structure.faults)


def zeroed(data: bytes, *places: tuple[int, int]) -> bytes:
    """Return the bytes with zeros at some places (offset, length)."""
    changed = bytearray(data)
    for at, length in places:
        changed[at : at + length] = bytes(length)
    return bytes(changed)


def flipped(data: bytes, *places: int) -> bytes:
    """Return the bytes with one bit turned at each place."""
    changed = bytearray(data)
    for at in places:
        changed[at] ^= 1
    return bytes(changed)


KINDS = [
    pytest.param("luks1", marks=pytest.mark.tools("cryptsetup")),
    pytest.param("luks2", marks=pytest.mark.tools("cryptsetup")),
    pytest.param("lvm", marks=[pytest.mark.tools("pvcreate", "losetup"), pytest.mark.root]),
    pytest.param("xfs", marks=pytest.mark.tools("mkfs.xfs")),
    pytest.param("btrfs", marks=pytest.mark.tools("mkfs.btrfs")),
]


@pytest.mark.parametrize("kind", KINDS)
def test_headers_when_a_volume_is_fresh_then_they_are_whole(
    volumes: Callable[[str], bytes], kind: str
) -> None:
    """As its own tool made it."""
    assert faults(kind, volumes(kind)) == []


REFUSED, REPAIRED = Effect.REFUSED, Effect.REPAIRED


def luks_dump(path: str) -> bool:
    """Whether cryptsetup takes the header."""
    return run("cryptsetup", "luksDump", path).returncode == 0


def xfs_check(path: str) -> bool:
    """Whether xfs_repair finds nothing to do; without a first superblock it looks for others."""
    return run("xfs_repair", "-n", path).returncode == 0


def btrfs_check(path: str) -> bool:
    """Whether btrfs takes the first superblock."""
    return run("btrfs", "check", "--readonly", path).returncode == 0


@pytest.mark.tools("cryptsetup")
@pytest.mark.parametrize(
    ("places", "effect"),
    [
        ([1000], REPAIRED),
        ([16384 + 1000], REPAIRED),
        ([5000], REPAIRED),
        ([1000, 16384 + 1000], REFUSED),
        ([0, 16384], REFUSED),
    ],
)
def test_luks2_when_a_header_is_damaged_then_the_other_one_decides(
    volumes: Callable[[str], bytes], tmp_path: Path, places: list[int], effect: Effect
) -> None:
    """Cryptsetup opens by either, and by none of two damaged ones."""
    data = flipped(volumes("luks2"), *places)
    assert {fault.effect for fault in faults("luks2", data)} == {effect}
    copy = tmp_path / "copy.img"
    copy.write_bytes(data)
    assert luks_dump(str(copy)) == (effect is REPAIRED)


@pytest.mark.tools("cryptsetup")
def test_luks1_when_its_header_is_damaged_then_it_is_refused(
    volumes: Callable[[str], bytes],
) -> None:
    """No key slot is active, a slot's state is unknown, the payload starts after the end."""
    data = volumes("luks1")
    for damaged in (
        zeroed(data, (208, 4)),
        data[:208] + b"\0\0\xde\xad" + data[212:],
        data[:104] + b"\x7f\xff\xff\xff" + data[108:],
    ):
        assert {fault.effect for fault in faults("luks1", damaged)} == {REFUSED}


@pytest.mark.tools("mkfs.xfs", "xfs_repair")
@pytest.mark.parametrize(
    ("at", "effect"), [(8, REFUSED), (GROUP + 8, REPAIRED), (3 * GROUP + 224, REPAIRED)]
)
def test_xfs_when_a_superblock_is_damaged_then_the_first_alone_is_refused(
    volumes: Callable[[str], bytes], tmp_path: Path, at: int, effect: Effect
) -> None:
    """The kernel reads the first; xfs_repair writes the others anew."""
    data = flipped(volumes("xfs"), at)
    assert [fault.effect for fault in faults("xfs", data)] == [effect]
    copy = tmp_path / "copy.img"
    copy.write_bytes(data)
    assert not xfs_check(str(copy))


@pytest.mark.tools("mkfs.btrfs", "btrfs")
@pytest.mark.parametrize(("at", "effect"), [(65536 + 120, REFUSED), (64 * MIB + 120, REPAIRED)])
def test_btrfs_when_a_superblock_is_damaged_then_the_first_alone_is_refused(
    volumes: Callable[[str], bytes], tmp_path: Path, at: int, effect: Effect
) -> None:
    """Its check opens by the first."""
    data = flipped(volumes("btrfs"), at)
    assert [fault.effect for fault in faults("btrfs", data)] == [effect]
    copy = tmp_path / "copy.img"
    copy.write_bytes(data)
    assert btrfs_check(str(copy)) == (effect is REPAIRED)


@pytest.mark.tools("pvcreate", "vgcreate", "losetup")
@pytest.mark.root
def test_lvm_when_metadata_is_damaged_then_the_other_copy_decides(
    volumes: Callable[[str], bytes],
) -> None:
    """Header and text of each area have a checksum of their own, and so has the label."""
    data = volumes("lvm")
    texts = [at for at in range(0, len(data), 512) if data.startswith(b"witness_test {", at)]
    areas = [at - 4 for at in found_all(data, b" LVM2 x[5A%r0N*>")]
    assert (len(texts), len(areas)) == (2, 2)
    for place in (texts[0] + 20, texts[1] + 20, areas[0] + 48, areas[1] + 8):
        assert {fault.effect for fault in faults("lvm", flipped(data, place))} == {REPAIRED}
    for places in ((texts[0] + 20, areas[1] + 8), (512 + 100,)):
        assert {fault.effect for fault in faults("lvm", flipped(data, *places))} == {REFUSED}


def found_all(data: bytes, wanted: bytes) -> list[int]:
    """Return every place where some bytes stand."""
    places, at = [], data.find(wanted)
    while at >= 0:
        places.append(at)
        at = data.find(wanted, at + 1)
    return places


# --- BitLocker --------------------------------------------------------------------------------

BLOCKS = (8192, 20480, 32768)


def bitlocker() -> bytes:
    """Return a volume with three blocks of metadata, each with a CRC-32 behind it."""
    data = bytearray(65536)
    data[3:11] = tables.BITLOCKER_SIGNATURE
    data[160:176] = tables.BITLOCKER_FIXED
    offsets = b"".join(at.to_bytes(8, "little") for at in BLOCKS)
    data[176:200] = offsets
    block = bytearray(544)
    block[:8] = tables.BITLOCKER_SIGNATURE
    block[8:12] = (34).to_bytes(2, "little") + (2).to_bytes(2, "little")
    block[32:56] = offsets
    block[80:96] = bytes(range(16))
    for at in BLOCKS:
        data[at : at + 544] = block
        data[at + 548 : at + 552] = zlib.crc32(block).to_bytes(4, "little")
    return bytes(data)


@pytest.mark.parametrize("offset", [0, 9, 32, 100, 500, 548])
def test_bitlocker_when_a_block_is_damaged_then_the_others_decide(offset: int) -> None:
    """One of three, two, all of them."""
    whole = bitlocker()
    assert faults("bitlocker", whole) == []
    for count, effect in ((1, REPAIRED), (2, REPAIRED), (3, REFUSED)):
        data = flipped(whole, *(at + offset for at in BLOCKS[:count]))
        assert {fault.effect for fault in faults("bitlocker", data)} == {effect}


def test_bitlocker_when_a_block_is_of_another_volume_then_that_is_told() -> None:
    """Whole by itself, and not what the others are."""
    data = bytearray(bitlocker())
    at = BLOCKS[1]
    data[at + 90] ^= 1
    data[at + 548 : at + 552] = zlib.crc32(data[at : at + 544]).to_bytes(4, "little")
    assert {fault.effect for fault in faults("bitlocker", bytes(data))} == {REPAIRED}


FOREIGN = {
    "bitlocker": (
        "bde-aes-128-diffuser",
        "bde-aes-xts-128",
        "bde-decrypted",
        "bde-recovery-key",
        "bde-startup-key",
        "bde-suspended",
        "cs-bitlk-aes-xts-128-4k",
        "cs-bitlk-togo-aes-cbc-128",
    ),
    "luks2": ("cs-luks2-mda-test_image_16", "luks2-aes-xts-plain64"),
    "luks1": ("cs-luks1_aes-xts-plain64-sha256",),
    "lvm": ("lvm-pv", "ul-lvm2"),
    "btrfs": ("ul-btrfs",),
    "xfs": ("ul-xfs-v5",),
}


@pytest.mark.parametrize("kind", FOREIGN)
def test_headers_when_they_are_of_foreign_makers_then_they_are_whole(
    corpus: Path, kind: str
) -> None:
    """Windows, cryptsetup's and util-linux's own test images."""
    for name in FOREIGN[kind]:
        with lzma.open(corpus / f"{name}.img.xz") as file:
            assert faults(kind, file.read()) == [], name
