"""Which files belong to the start of a machine, and how much of each is handed over."""

from __future__ import annotations

import time

import pytest

from verify.boot.collect import WANTED, wanted_bytes, wanted_file


def in_boot_set(path: str, kind: str) -> bool:
    """Whether a file is read at every depth."""
    wanted = wanted_file(path, kind)
    return wanted is not None and wanted.boot_set


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/EFI/Microsoft/Boot/BCD", "fat32"),
        ("/EFI/Microsoft/Boot/BCD.LOG2", "fat32"),
        ("/EFI/Microsoft/Boot/bootmgfw.efi", "fat32"),
        ("/EFI/BOOT/BOOTX64.EFI", "fat16"),
        ("/efi/boot/de-de/bootmgfw.efi.mui", "fat32"),
        ("/bootmgr", "ntfs"),
        ("/Boot/BCD", "ntfs"),
        ("/Boot/de-DE/bootmgr.exe.mui", "ntfs"),
        ("/Windows/System32/winload.efi", "ntfs"),
        ("/Windows/System32/winload.exe", "ntfs"),
        ("/Windows/System32/Boot/winload.efi", "ntfs"),
        ("/windows/system32/DRIVERS/iaStorVD.sys", "ntfs"),
        ("/Windows/System32/config/SYSTEM", "ntfs"),
        ("/Windows/System32/config/SYSTEM.LOG1", "ntfs"),
        ("/Windows/System32/config/SOFTWARE", "ntfs"),
        ("/Windows/System32/Recovery/ReAgent.xml", "ntfs"),
        ("/Recovery/WindowsRE/ReAgent.xml", "ntfs"),
        ("/Recovery/WindowsRE/boot.sdi", "ntfs"),
        ("/etc/fstab", "ext4"),
        ("/etc/crypttab", "ext3"),
        ("/boot/vmlinuz-6.1", "ext4"),
        ("/boot/grub/x86_64-efi/normal.mod", "ext4"),
        ("/vmlinuz-6.1", "ext2"),
        ("/grub2/grub.cfg", "ext4"),
        ("/loader/entries/some.conf", "fat32"),
        ("/0123456789abcdef0123456789abcdef/6.1/linux", "fat32"),
    ],
)
def test_boot_set_when_a_start_needs_the_file_then_it_is_in(path: str, kind: str) -> None:
    """Loaders, stores, recovery configuration, hives and Linux's own are the boot set."""
    assert in_boot_set(path, kind)


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/Users/anna/EFI/Microsoft/Boot/BCD", "ntfs"),
        ("/EFI/Microsoft/Boot/BCD", "ntfs"),
        ("/EFI", "xfs"),
        ("/Windows/System32/config/SYSTEM.bak", "ntfs"),
        ("/Windows/System32/drivers/some.sys", "ntfs"),
        ("/ETC/FSTAB", "ext4"),
        ("/etc/fstab.d/more", "ext4"),
        ("/srv/boot/vmlinuz", "ext4"),
        ("/Windows/System32/winload.efi/inside", "ntfs"),
        ("bootmgr", "ntfs"),
        ("", "ntfs"),
    ],
)
def test_boot_set_when_the_file_only_looks_alike_then_it_is_out(path: str, kind: str) -> None:
    """Place, filesystem and (on ext) case count, not the name alone."""
    assert not in_boot_set(path, kind)


def test_boot_set_when_case_differs_on_a_caseless_filesystem_then_it_is_in() -> None:
    """FAT and NTFS do not tell upper from lower case (common knowledge of both)."""
    assert in_boot_set("/efi/MICROSOFT/boot/bcd", "fat32")
    assert in_boot_set("/WINDOWS/system32/CONFIG/system", "ntfs")


@pytest.mark.parametrize(
    ("path", "kind", "expected"),
    [
        ("/EFI/Microsoft/Boot/BCD", "fat32", 4 << 20),
        ("/EFI/Microsoft/Boot/bootmgfw.efi", "fat32", 4096),
        ("/EFI/Microsoft/Boot/Fonts/wgl4_boot.ttf", "fat32", 0),
        ("/Windows/System32/config/SYSTEM", "ntfs", 512 << 20),
        ("/Windows/System32/config/SOFTWARE", "ntfs", 0),
        ("/Windows/System32/Recovery/ReAgent.xml", "ntfs", 64 << 10),
        ("/EFI/debian/grub.cfg", "fat32", 1 << 20),
        ("/home/anna/fstab", "ext4", 0),
    ],
)
def test_wanted_bytes_when_asked_then_the_cap_of_the_files_role(
    path: str, kind: str, expected: int
) -> None:
    """Whole small configuration, the head of loaders, nothing of what is only hashed."""
    assert wanted_bytes(path, kind) == expected


def test_image_when_it_is_large_then_its_header_is_wanted_and_it_is_not_in_the_boot_set() -> None:
    """A recovery image holds hundreds of MB: its header is read at every depth, not all of it."""
    assert wanted_bytes("/Recovery/WindowsRE/Winre.wim", "ntfs") == 208
    assert not in_boot_set("/Recovery/WindowsRE/Winre.wim", "ntfs")


@pytest.mark.parametrize("row", WANTED, ids=lambda row: row.pattern)
def test_wanted_when_its_own_pattern_is_filled_then_a_row_of_that_role_answers(row) -> None:  # type: ignore[no-untyped-def] # noqa: ANN001
    """No row stands in the shadow of an earlier one that says something else."""
    path = row.pattern.replace("/**/", "/one/two/").replace("**", "one/two")
    path = path.replace("*", "x").replace("?", "x")
    for kind in row.kinds:
        found = wanted_file(path, kind)
        assert found is not None
        assert (found.role, found.boot_set) == (row.role, row.boot_set)


def test_wanted_when_a_hostile_path_is_long_then_the_answer_is_quick() -> None:
    """Many folders, and names made to match partly, do not make the search explode."""
    started = time.monotonic()
    for path in ("/EFI" + "/a" * 20_000, "/EFI/" + "x.efi" * 8_000 + "/", "/" * 60_000):
        wanted_file(path, "fat32")
    assert time.monotonic() - started < 2
