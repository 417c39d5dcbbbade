"""What Linux configuration names, and which drivers an initial RAM filesystem brings."""

from __future__ import annotations

import bz2
import gzip
import lzma
import random
import shutil
import subprocess
import time

import pytest

from verify.boot.initramfs import read_initramfs
from verify.boot.linux_config import MOST_REFERENCES, read_configuration, read_kernel_config

UUID = "11112222-3333-4444-8555-666677778888"


def named(line: str, path: str = "/etc/fstab") -> list[tuple[str, str, str]]:
    """Return kind, value and purpose of everything that a line names."""
    return [
        (item.kind, item.value, item.purpose)
        for item in read_configuration(line.encode() + b"\n", path)
    ]


@pytest.mark.parametrize(
    ("device", "kind", "value"),
    [
        (f"UUID={UUID}", "uuid", UUID),
        (f'UUID="{UUID}"', "uuid", UUID),
        (f"/dev/disk/by-uuid/{UUID}", "uuid", UUID),
        ("PARTUUID=00c0ffee-02", "partuuid", "00c0ffee-02"),
        ("LABEL=my\\040disk", "label", "my disk"),
        ("/dev/disk/by-label/my\\x20disk", "label", "my disk"),
        ("PARTLABEL=root", "partlabel", "root"),
        ("/dev/disk/by-id/ata-Quire_S1-part2", "by-id", "ata-Quire_S1-part2"),
        ("/dev/disk/by-path/pci-0-ata-1-part2", "by-path", "pci-0-ata-1-part2"),
        ("/dev/sda2", "device", "/dev/sda2"),
        ("/dev/nvme0n1p2", "device", "/dev/nvme0n1p2"),
        ("/dev/mmcblk0p1", "device", "/dev/mmcblk0p1"),
        ("/dev/mapper/vault", "mapper", "/dev/mapper/vault"),
        ("/dev/group/volume", "mapper", "/dev/group/volume"),
        ("tmpfs", "none", "tmpfs"),
        ("//server/share", "none", "//server/share"),
        ("/srv/image.img", "path", "/srv/image.img"),
    ],
)
def test_fstab_when_a_device_is_named_then_its_kind_is_told(
    device: str, kind: str, value: str
) -> None:
    """Tags, links below /dev/disk, names of the kernel (fstab(5), udev)."""
    assert named(f"{device} /mnt ext4 defaults 0 2") == [(kind, value, "mount")]


def test_fstab_when_options_say_so_then_a_start_does_without() -> None:
    """`nofail` and `noauto` (fstab(5), systemd.mount(5)); comments and short lines are nothing."""
    text = f"UUID={UUID} / ext4 ro 0 1\nLABEL=a /a ext4 nofail\nLABEL=b none swap sw,noauto\n"
    found = read_configuration(text.encode() + b"# LABEL=c /c ext4\nLABEL=d\n", "/etc/fstab")
    assert [(item.optional, item.purpose, item.target, item.line) for item in found] == [
        (False, "mount", "/", 1),
        (True, "mount", "/a", 2),
        (True, "swap", "none", 3),
    ]


def test_crypttab_when_a_volume_is_named_then_its_mapped_name_goes_with_it() -> None:
    """crypttab(5): name, device, key, options."""
    text = f"vault UUID={UUID} none luks\nsecond /dev/sdb1 none luks,nofail\n".encode()
    found = read_configuration(text, "/etc/crypttab")
    assert [(item.target, item.kind, item.purpose, item.optional) for item in found] == [
        ("vault", "uuid", "crypt", False),
        ("second", "device", "crypt", True),
    ]


GRUB = "/boot/grub/grub.cfg"


@pytest.mark.parametrize(
    ("path", "line", "expected"),
    [
        (GRUB, f"search --no-floppy --fs-uuid --set=root {UUID}", [("uuid", UUID, "search")]),
        (
            GRUB,
            f"search --fs-uuid --set=root --hint-bios=hd0,gpt2 {UUID}",
            [("uuid", UUID, "search")],
        ),
        (GRUB, f"search.fs_uuid {UUID} root hd0,gpt2", [("uuid", UUID, "search")]),
        (GRUB, "search --label --set root quire", [("label", "quire", "search")]),
        (GRUB, "set root='hd0,gpt2'", [("device", "hd0,gpt2", "grub-root")]),
        (
            GRUB,
            f"linux /vmlinuz-1 root=UUID={UUID} ro resume=/dev/sda3",
            [
                ("path", "/vmlinuz-1", "kernel"),
                ("uuid", UUID, "root"),
                ("device", "/dev/sda3", "resume"),
            ],
        ),
        (
            GRUB,
            "initrd (hd0,msdos1)/initrd.img",
            [("device", "hd0,msdos1", "grub-root"), ("path", "/initrd.img", "initrd")],
        ),
        (GRUB, "linux $prefix/vmlinuz root=$root", []),
        (GRUB, "chainloader /EFI/Boot/x.efi", [("path", "/EFI/Boot/x.efi", "chainload")]),
        ("/loader/entries/a.conf", f"options root=UUID={UUID} rw", [("uuid", UUID, "root")]),
        ("/loader/entries/a.conf", "linux /vmlinuz-1", [("path", "/vmlinuz-1", "kernel")]),
        ("/loader/entries/a.conf", "title Quire", []),
        (
            "/etc/default/grub",
            f'GRUB_CMDLINE_LINUX="rd.luks.uuid=luks-{UUID} quiet"',
            [("uuid", UUID, "crypt")],
        ),
        ("/etc/kernel/cmdline", "root=PARTUUID=00c0ffee-02", [("partuuid", "00c0ffee-02", "root")]),
        ("/etc/initramfs-tools/conf.d/resume", f"RESUME=UUID={UUID}", [("uuid", UUID, "resume")]),
        ("/etc/initramfs-tools/conf.d/resume", "RESUME=none", []),
        ("/boot/grub2/grubenv", f"kernelopts=root=UUID={UUID} ro", [("uuid", UUID, "root")]),
        ("/etc/other", f"UUID={UUID} / ext4 defaults", []),
    ],
)
def test_configuration_when_a_line_names_something_then_kind_and_purpose_are_told(
    path: str, line: str, expected: list[tuple[str, str, str]]
) -> None:
    """GRUB manual, boot loader specification, dracut.cmdline(7), initramfs-tools(7)."""
    assert named(line, path) == expected


def test_configuration_when_a_name_comes_again_then_it_is_counted() -> None:
    """A menu names its root for each kernel."""
    (item,) = read_configuration(b"set root='hd0,gpt2'\n" * 7, GRUB)
    assert (item.line, item.count) == (1, 7)


def test_configuration_when_it_is_hostile_then_the_answer_is_quick_and_bounded() -> None:
    """Long lines, very many names, open quotes, bytes of any kind."""
    started = time.monotonic()
    many = b"".join(b"LABEL=%d /x ext4\n" % number for number in range(9000))
    assert len(read_configuration(many, "/etc/fstab")) == MOST_REFERENCES
    noise = random.Random(7).randbytes(1 << 17)
    for path in (GRUB, "/etc/fstab", "/etc/crypttab", "/etc/default/grub"):
        read_configuration(noise, path)
        read_configuration(b"linux '" + b"a" * 500_000, path)
    assert time.monotonic() - started < 20


def test_kernel_configuration_when_options_are_set_then_storage_alone_is_kept() -> None:
    """`# … is not set` is a comment in such a file."""
    text = b"CONFIG_BLK_DEV_NVME=y\nCONFIG_SOUND=m\n# CONFIG_SATA_AHCI is not set\nCONFIG_VMD=m\n"
    found = read_kernel_config(text, "/boot/config-1")
    assert [(item.attribute, item.value) for item in found] == [
        ("CONFIG_BLK_DEV_NVME", "y"),
        ("CONFIG_VMD", "m"),
    ]


# --- initial RAM filesystems ------------------------------------------------------------------


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """An archive that cpio wrote: two drivers, and a file that only looks alike."""
    if shutil.which("cpio") is None:
        pytest.skip("cpio is not installed")
    root = tmp_path_factory.mktemp("ram")
    for name in ("lib/modules/1/nvme.ko", "lib/modules/1/ahci.ko.xz", "etc/vmd.ko.txt"):
        file = root / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(b"x" * 5)
    names = "\n".join(str(item.relative_to(root)) for item in sorted(root.rglob("*")))
    made = subprocess.run(
        ["cpio", "-o", "-H", "newc", "--quiet"],
        input=names.encode(),
        cwd=root,
        capture_output=True,
        check=True,
    )
    return made.stdout


@pytest.mark.parametrize(
    ("compression", "pack"),
    [
        ("none", bytes),
        ("gzip", gzip.compress),
        ("xz", lzma.compress),
        ("lzma", lambda data: lzma.compress(data, lzma.FORMAT_ALONE)),
        ("bzip2", bz2.compress),
    ],
)
def test_ram_disk_when_it_is_packed_then_its_drivers_are_found(
    compression: str,
    pack: object,
    archive: bytes,
) -> None:
    """Alone, and behind a first archive that is not packed (as with processor updates)."""
    packed = pack(archive)  # type: ignore[operator]
    for data in (packed, archive + packed):
        found = read_initramfs(data, "/boot/initrd")
        assert (found.drivers, found.problem) == (("ahci", "nvme"), None)
        assert found.compression == compression


@pytest.mark.parametrize(
    ("magic", "compression"),
    [(b"\x28\xb5\x2f\xfd", "zstd"), (b"\x02\x21\x4c\x18", "lz4"), (b"noise", "unknown")],
)
def test_ram_disk_when_its_packing_is_not_read_then_that_is_said(
    magic: bytes, compression: str
) -> None:
    """The kernel's own magic numbers (lib/decompress.c)."""
    found = read_initramfs(magic + bytes(100), "/boot/initrd")
    assert found.compression == compression
    assert found.problem is not None


def test_ram_disk_when_it_is_cut_or_noise_then_there_is_always_an_answer(archive: bytes) -> None:
    """Every cut says so; nothing raises."""
    packed = gzip.compress(archive)
    for data in (archive, packed):
        for size in range(1, len(data) - 20, 7):
            found = read_initramfs(data[:size], "/boot/initrd")
            assert found.problem is not None or not data[size:].strip(b"\0")
    rng = random.Random(3)
    for _ in range(200):
        broken = bytearray(archive)
        broken[rng.randrange(len(broken))] = rng.randrange(256)
        read_initramfs(bytes(broken), "/boot/initrd")


def test_ram_disk_when_it_unpacks_to_more_than_any_then_it_ends_in_time() -> None:
    """A file of 900 MiB of zeros inside packs to next to nothing."""
    name = b"big\0"
    fields = [0] * 13
    fields[6], fields[11] = 900 << 20, len(name)
    entry = b"070701" + b"".join(b"%08X" % value for value in fields) + name
    started = time.monotonic()
    found = read_initramfs(gzip.compress(entry + bytes(1 << 20)), "/boot/initrd")
    assert found.problem is not None
    assert time.monotonic() - started < 5
