"""Heads of loaders, and the boot code of sector 0 and of partitions."""

from __future__ import annotations

import struct
from importlib import resources
from typing import TYPE_CHECKING

import pytest
from blake3 import blake3

from tests.support.drives import unpack_image
from verify.boot.bootcode import CODE_AREAS, read_boot_sector_code, read_mbr_code
from verify.boot.pe import read_image_header
from verify.errors import StructureError

if TYPE_CHECKING:
    from pathlib import Path


def pe_image(
    machine: int = 0x8664, subsystem: int = 10, sections: tuple[bytes, ...] = (), at: int = 0x80
) -> bytes:
    """The headers of a PE32+ image, laid out after Microsoft's "PE Format"."""
    dos = bytearray(at)
    dos[0:2] = b"MZ"
    struct.pack_into("<I", dos, 0x3C, at)
    coff = struct.pack("<4sHHIIIHH", b"PE\0\0", machine, len(sections), 0, 0, 0, 240, 0x22)
    optional = bytearray(240)
    struct.pack_into("<H", optional, 0, 0x20B)
    struct.pack_into("<H", optional, 68, subsystem)
    return bytes(dos) + coff + bytes(optional) + b"".join(n.ljust(40, b"\0") for n in sections)


@pytest.mark.parametrize(
    ("name", "machine", "subsystem"),
    [
        ("t32.exe", "x86", 3),
        ("w32.exe", "x86", 2),
        ("t64.exe", "x64", 3),
        ("w64.exe", "x64", 2),
        ("t64-arm.exe", "arm64", 3),
        ("w64-arm.exe", "arm64", 2),
    ],
)
def test_loader_when_it_is_a_real_pe_image_then_machine_and_subsystem_are_its_names(
    name: str, machine: str, subsystem: int
) -> None:
    """The script launchers that come with pip: their names say machine, `t` console, `w` GUI."""
    try:
        data = resources.files("pip._vendor.distlib").joinpath(name).read_bytes()
    except (ModuleNotFoundError, FileNotFoundError):
        pytest.skip("this pip comes without its launchers")
    image = read_image_header(data[:4096], "/x.efi", len(data))
    assert (image.form, image.machine, image.subsystem) == ("pe", machine, subsystem)
    assert image.size_bytes == len(data)
    assert not image.holds_kernel


def test_loader_when_it_is_an_efi_application_then_that_is_read() -> None:
    """Subsystem 10; a machine without a name here stays a number."""
    image = read_image_header(pe_image())
    assert (image.form, image.machine, image.subsystem) == ("pe", "x64", 10)
    assert read_image_header(pe_image(machine=0x1234)).machine == "1234"
    assert read_image_header(pe_image(machine=0xAA64)).machine == "arm64"


def test_loader_when_a_kernel_and_its_command_line_are_inside_then_that_is_told() -> None:
    """Both sections make a unified kernel image, one alone does not."""
    assert read_image_header(pe_image(sections=(b".text", b".cmdline", b".linux"))).holds_kernel
    assert not read_image_header(pe_image(sections=(b".text", b".linux"))).holds_kernel


@pytest.mark.parametrize(
    ("head", "form"),
    [
        (b"", "empty"),
        (bytes(4096), "zero"),
        (b"\xe9\xd5\x01" + bytes(93), "other"),
        (b"MZ", "other"),
        (pe_image()[:0x80] + bytes(400), "mz"),
        (pe_image(at=0x80).replace(b"\x80\0\0\0", b"\xff\xff\xff\xff", 1), "mz"),
    ],
)
def test_loader_when_it_is_no_pe_image_then_its_form_says_so(head: bytes, form: str) -> None:
    """Empty, wiped, a 16-bit stub, two bytes, MZ alone, a header far behind the end."""
    assert read_image_header(head).form == form


def test_loader_when_it_ends_inside_its_header_then_every_length_has_an_answer() -> None:
    """Cut after each byte; a PE signature without its headers is reported."""
    data = pe_image(sections=(b".linux", b".cmdline"))
    forms = {read_image_header(data[:size]).form for size in range(len(data))}
    assert forms == {"empty", "other", "mz", "pe"}
    assert read_image_header(data[:0x90]).problem


def test_mbr_code_when_only_records_and_signature_differ_then_the_digest_is_the_same() -> None:
    """The code ends at byte 440, where the disk signature begins (UEFI 2.10 §5.2.1)."""
    sector = bytearray(range(256)) * 2
    before = read_mbr_code(bytes(sector))
    sector[440:] = bytes(72)
    assert read_mbr_code(bytes(sector)) == before
    sector[439] ^= 1
    assert read_mbr_code(bytes(sector)).digest != before.digest
    assert before.digest == blake3(bytes(range(256)) + bytes(range(184))).hexdigest().upper()


def test_mbr_code_when_it_is_zeros_then_it_is_absent() -> None:
    """A table alone starts nothing."""
    assert not read_mbr_code(bytes(440) + b"\1" * 72).present
    assert read_mbr_code(bytes(439) + b"\1" + bytes(72)).present


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("fat-fat12-a", "fat12"),
        ("fat-fat16-a", "fat16"),
        ("fat-fat32-a", "fat32"),
        ("exfat-a", "exfat"),
        ("ext4-a", "ext4"),
    ],
)
def test_boot_sector_code_when_serial_and_label_differ_then_the_digest_is_the_same(
    corpus: Path, tmp_path: Path, name: str, kind: str
) -> None:
    """A real boot sector: its own parameters, 11 up to the code, are no part of the digest."""
    with unpack_image(corpus / f"{name}.img.xz", tmp_path).open("rb") as file:
        head = bytearray(file.read(1024))
    before = read_boot_sector_code(bytes(head), kind)
    assert before is not None
    head[11 : CODE_AREAS[kind][0]] = bytes(max(0, CODE_AREAS[kind][0] - 11))
    assert read_boot_sector_code(bytes(head), kind) == before
    head[CODE_AREAS[kind][1] - 1] ^= 1
    after = read_boot_sector_code(bytes(head), kind)
    assert after is not None
    assert after.digest != before.digest


def test_boot_sector_code_when_mkfs_wrote_its_message_then_it_is_inside(
    corpus: Path, tmp_path: Path
) -> None:
    """Dosfstools' boot code says that this is not a bootable disk; it lies in the code area."""
    with unpack_image(corpus / "fat-fat32-a.img.xz", tmp_path).open("rb") as file:
        head = file.read(1024)
    start, end = CODE_AREAS["fat32"]
    assert b"bootable disk" in head[start:end]
    code = read_boot_sector_code(head, "fat32")
    assert code is not None
    assert code.present


def test_boot_sector_code_when_the_volume_is_a_real_system_then_it_holds_ntfs_code(
    corpus: Path,
) -> None:
    """A real C: volume's boot sector names BOOTMGR inside the code area."""
    head = (corpus / "ntfs-realboot-c.img").read_bytes()
    start, end = CODE_AREAS["ntfs"]
    assert b"BOOTMGR" in head[start:end]
    code = read_boot_sector_code(head, "ntfs")
    assert code is not None
    assert code.present
    assert (code.start, code.length) == (84, 426)


def test_boot_sector_code_when_a_filesystem_has_none_then_there_is_none() -> None:
    """Unknown kinds have no place where their code would be."""
    assert read_boot_sector_code(bytes(1024), "xfs") is None


@pytest.mark.parametrize("size", [0, 439, 509])
def test_boot_code_when_too_few_bytes_are_given_then_a_named_error(size: int) -> None:
    """A short read is no absent code."""
    with pytest.raises(StructureError):
        read_boot_sector_code(bytes(size), "ntfs")
    if size < 440:
        with pytest.raises(StructureError):
            read_mbr_code(bytes(size))
