"""NTLDR's list of systems: which partition each entry names, the default first.

The example is that of Microsoft's article 102873, in our own folders.
"""

from __future__ import annotations

from verify.boot.assemble import assemble
from verify.boot.boot_ini import read_boot_ini
from verify.boot.boot_record import StartEntry

LIST = (
    b"[boot loader]\r\ntimeout=30\r\ndefault=multi(0)disk(0)rdisk(0)partition(2)\\WINDOWS\r\n"
    b"[operating systems]\r\n"
    b'multi(0)disk(0)rdisk(0)partition(2)\\WINDOWS="Workshop" /fastdetect\r\n'
    b'multi(0)disk(0)rdisk(1)partition(1)\\WINNT="Old one"\r\nC:\\="DOS"\r\n'
)


def test_list_when_it_is_read_then_each_entry_is_named_once() -> None:
    """`rdisk` counts drives from 0, `partition` from 1; a boot sector's file is no partition."""
    assert read_boot_ini(LIST, "/boot.ini") == (
        StartEntry(file="/boot.ini", drive=0, partition=2, folder="\\WINDOWS", default=True),
        StartEntry(file="/boot.ini", drive=1, partition=1, folder="\\WINNT"),
    )


def test_list_when_it_is_hostile_then_it_is_bounded() -> None:
    """No numbers, no end, no text."""
    assert read_boot_ini(b"", "/boot.ini") == ()
    assert read_boot_ini(bytes(range(256)) * 200, "/boot.ini") == ()
    many = b"".join(b"multi(0)disk(0)rdisk(0)partition(%d)\\X\n" % n for n in range(1000))
    assert len(read_boot_ini(many, "/boot.ini")) == 64


def test_record_when_the_partition_starts_an_older_system_then_its_files_are_in_it() -> None:
    """NTLDR and its list, on FAT and NTFS."""
    files = {"/boot.ini": LIST, "/ntldr": b"\xe9" * 600, "/NTDETECT.COM": b"\xe9" * 600}
    record = assemble(files, "ntfs", {path: len(data) for path, data in files.items()})
    assert [item.path for item in record.loaders] == ["/ntldr", "/NTDETECT.COM"]
    assert len(record.start_list) == 2
