"""Systems of the older kind: any loader that a BIOS comes to by the code in boot sectors.

Names of loaders: Microsoft's, and the manuals of Syslinux, GRUB and LILO. How boot.ini counts:
Microsoft's article 102873. What a clone has to keep of them: common practice.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from tests.rules.boot.machines import program
from tests.rules.cases import case_of, drive, findings, partition, told
from verify.boot.assemble import assemble
from verify.boot.boot_record import GrubCore
from verify.boot.bootcode import read_mbr_code
from verify.rules.boot import boot_code, boot_flag, boot_loader, boot_reference
from verify.table.partition_table import Mbr

if TYPE_CHECKING:
    from verify.manifest.header import Header, Partition

CODE = bytes(range(1, 256)) * 8
HEAD = (CODE * 5)[:8192]
LIST = b"default=multi(0)disk(0)rdisk(0)partition(%d)\\WINDOWS\n"
KERNEL = "/Windows/System32/ntoskrnl.exe"
Files = dict[str, bytes]


def part(
    number: int,
    start_mib: int,
    files: Files | None = None,
    kind: str = "ntfs",
    *,
    head: bytes = HEAD,
    **changes: Any,
) -> Partition:
    """Return a partition of 100 MiB of an MBR drive with files, and code in its boot sector."""
    item = partition(
        number,
        start_mib,
        100,
        kind,
        guid=None,
        of={"id": f"C00{number}"},
        **{"type": "07"} | changes,
    )
    held = files or {}
    record = assemble(held, kind, {path: len(data) for path, data in held.items()}, head)
    return item.model_copy(update={"boot": record})


def mbr_drive(
    *parts: Partition, code: bytes = b"\xfa\x33\xc0", grub: tuple[GrubCore, ...] = ()
) -> Header:
    """Return an MBR drive with code in sector 0."""
    mbr = Mbr(
        signature_ok=True,
        disk_signature="00C0FFEE",
        records=(),
        kind="classic",
        boot_code_zero=not any(code),
    )
    plain = drive(parts, table={"scheme": "mbr", "mbr": mbr})
    read = read_mbr_code(code.ljust(512, b"\0"))
    return plain.model_copy(update={"boot_code": read, "grub": grub})


def loader(path: str, kind: str = "ntfs", data: bytes = b"\xe9" * 900) -> Header:
    """Return a drive whose active partition holds one loader."""
    return mbr_drive(part(1, 1, {path: data}, kind, active=True))


LOADERS = [
    ("/NTLDR", "ntfs"),
    ("/ntldr", "fat32"),
    ("/bootmgr", "ntfs"),
    ("/IO.SYS", "fat16"),
    ("/IBMBIO.COM", "fat12"),
    ("/KERNEL.SYS", "fat32"),
    ("/ldlinux.sys", "fat32"),
    ("/extlinux/ldlinux.sys", "ext4"),
    ("/boot/extlinux/ldlinux.sys", "ext4"),
    ("/boot/grub/i386-pc/core.img", "ext4"),
    ("/grub/stage2", "ext2"),
    ("/boot/map", "ext3"),
]


@pytest.mark.parametrize(("path", "kind"), LOADERS)
def test_start_when_a_loader_of_any_generation_is_there_then_it_is_one(
    path: str, kind: str
) -> None:
    """Never that neither drive starts a system by a BIOS; the loader gone is a stop."""
    same = case_of(loader(path, kind), loader(path, kind))
    for rule in (boot_loader.RULE, boot_code.RULE, boot_flag.RULE):
        (answer, *_), found = rule(same)
        assert (answer.outcome, found) == ("same", ())
    gone = case_of(loader(path, kind), mbr_drive(part(1, 1, {}, kind, active=True)))
    assert told(boot_loader.RULE, gone) == [("stop", 1)]
    emptied = case_of(loader(path, kind), loader(path, kind, bytes(900)))
    assert told(boot_loader.RULE, emptied) == [("stop", 1)]


def test_start_when_sector_0_or_the_flag_is_lost_then_it_stops() -> None:
    """As for every other start by a BIOS."""
    old = loader("/ntldr")
    bare = mbr_drive(part(1, 1, {"/ntldr": b"\xe9"}, active=True), code=b"")
    assert told(boot_code.RULE, case_of(old, bare)) == [("stop", None)]
    flagless = mbr_drive(part(1, 1, {"/ntldr": b"\xe9"}))
    assert told(boot_flag.RULE, case_of(old, flagless)) == [("stop", None)]


def test_start_when_no_loader_is_known_then_a_person_decides() -> None:
    """An active partition and code, and a loader that nobody here knows."""
    old = loader("/strange.bin")
    bare = mbr_drive(part(1, 1, {}, active=True), code=b"")
    assert told(boot_code.RULE, case_of(old, bare)) == [("review", None)]
    assert told(boot_flag.RULE, case_of(old, mbr_drive(part(1, 1)))) == [("review", None)]


# --- further sectors --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "at"), [("ntfs", 512), ("ntfs", 8191), ("fat32", 1024), ("fat32", 6300)]
)
def test_code_when_the_loaders_further_sectors_differ_then_it_is_told(kind: str, at: int) -> None:
    """The 16 sectors of $Boot; sectors 2 and 12 of FAT32."""

    def with_head(head: bytes) -> Header:
        return mbr_drive(part(1, 1, {"/ntldr": b"\xe9"}, kind, head=head, active=True))

    other = bytearray(HEAD)
    other[at] ^= 1
    old = with_head(HEAD)
    assert told(boot_code.RULE, case_of(old, with_head(bytes(other)))) == [("review", 1)]
    zeros = with_head(HEAD[:512] + bytes(8192 - 512))
    (finding,) = findings(boot_code.RULE, case_of(old, zeros))
    assert (finding.level, finding.partition) == ("stop", 1)
    assert "after the boot sector" in finding.message
    assert told(boot_code.RULE, case_of(zeros, zeros)) == []


@pytest.mark.parametrize(("kind", "at"), [("fat32", 512), ("fat32", 1534), ("fat16", 1024)])
def test_code_when_other_sectors_of_the_boot_region_differ_then_it_is_no_code(
    kind: str, at: int
) -> None:
    """FSInfo, signatures; FAT16 has no such room."""
    other = bytearray(HEAD)
    other[at] ^= 1
    old, new = (
        mbr_drive(part(1, 1, {"/io.sys": b"\xe9"}, kind, head=head, active=True))
        for head in (HEAD, bytes(other))
    )
    assert told(boot_code.RULE, case_of(old, new)) == []


def test_code_when_further_sectors_were_read_of_one_drive_alone_then_not_examined() -> None:
    """A bad sector there, or a manifest of an older version."""
    old, new = (
        mbr_drive(part(1, 1, {"/ntldr": b"\xe9"}, head=head, active=True))
        for head in (HEAD, HEAD[:2048])
    )
    (answer,), _ = boot_code.RULE(case_of(old, new))
    assert answer.outcome == "not_examined"


# --- boot.ini ---------------------------------------------------------------------------------


def xp(number: int, *parts: Partition) -> Header:
    """Return a drive with a small active partition that starts a system on another one."""
    files = {"/ntldr": b"\xe9" * 600, "/boot.ini": LIST % number}
    return mbr_drive(part(1, 1, files, active=True), *parts)


SYSTEM = {KERNEL: program()}


def test_list_when_its_number_is_the_systems_partition_then_it_is_quiet() -> None:
    """Records of type 0 and extended ones are not counted; logical ones come last."""
    extended = part(2, 300, type="0F", container=True)
    empty = part(3, 450, type="00")
    for header in (
        xp(2, part(2, 101, SYSTEM)),
        xp(2, extended, part(5, 301, SYSTEM)),
        xp(2, empty, part(4, 101, SYSTEM)),
    ):
        assert told(boot_reference.RULE, case_of(header, header)) == []


def test_list_when_a_partition_more_is_in_front_then_it_stops() -> None:
    """The number then is another one's: also one of a type that nobody looks at."""
    old = xp(2, part(3, 201, SYSTEM))
    new = xp(2, part(2, 101, type="12", kind="unknown"), part(3, 201, SYSTEM))
    (finding,) = findings(boot_reference.RULE, case_of(old, new))
    assert finding.level == "stop"
    assert "partition 2; on the old drive it was partition 3" in finding.message


def test_list_when_no_partition_has_the_number_then_it_stops() -> None:
    """The partition in front of it was left out of the clone."""
    old = xp(3, part(2, 101), part(3, 201, SYSTEM))
    new = xp(3, part(3, 201, SYSTEM))
    levels = [level for level, _ in told(boot_reference.RULE, case_of(old, new))]
    assert levels == ["stop"]
    assert told(boot_reference.RULE, case_of(new, new)) == [("note", 1)]


def test_list_when_the_number_was_corrected_then_it_is_quiet() -> None:
    """Rewritten for the new order."""
    old = xp(3, part(2, 101), part(3, 201, SYSTEM))
    assert told(boot_reference.RULE, case_of(old, xp(2, part(3, 201, SYSTEM)))) == []


def test_list_when_the_partition_does_not_hold_the_system_then_it_stops() -> None:
    """Rewritten wrongly."""
    old = xp(2, part(2, 101, SYSTEM), part(3, 201, {"/x": b""}))
    new = xp(3, part(2, 101, SYSTEM), part(3, 201, {"/x": b""}))
    assert [level for level, _ in told(boot_reference.RULE, case_of(old, new))] == ["stop"]


# --- GRUB -------------------------------------------------------------------------------------

CORE = GrubCore(place=0, runs=((1, 1), (2, 60)), digest="AA" * 32)
GRUB_CODE = b"\xeb\x63\x90GRUB \0Geom"


def linux(core: GrubCore = CORE, *, code: bytes = GRUB_CODE, active: bool = False) -> Header:
    """Return a Linux drive that starts by GRUB in sector 0."""
    files = {"/boot/grub/i386-pc/core.img": b"\xeb" * 600}
    return mbr_drive(part(1, 1, files, "ext4", type="83", active=active), code=code, grub=(core,))


def test_grub_when_no_partition_is_active_then_it_starts_all_the_same() -> None:
    """Its code in sector 0 asks for no flag; a flag that got lost is a person's decision."""
    same = case_of(linux(), linux())
    for rule in (boot_code.RULE, boot_flag.RULE):
        (answer,), found = rule(same)
        assert (answer.outcome, found) == ("same", ())
    lost = case_of(linux(active=True), linux())
    assert told(boot_flag.RULE, lost) == [("review", None)]
    assert told(boot_code.RULE, case_of(linux(), linux(code=b""))) == [("stop", None)]


@pytest.mark.parametrize(
    ("core", "level"),
    [
        (replace(CORE, digest=None, problem="its sectors cannot be read"), "stop"),
        (replace(CORE, digest="BB" * 32, zero_sectors=4), "stop"),
        (replace(CORE, digest="BB" * 32), "review"),
    ],
)
def test_grub_when_its_core_image_is_not_the_old_drives_then_it_is_told(
    core: GrubCore, level: str
) -> None:
    """Not where it is named, emptied, or another one; the same on both drives is as before."""
    assert told(boot_code.RULE, case_of(linux(), linux(core))) == [(level, None)]
    assert {item for item, _ in told(boot_code.RULE, case_of(linux(core), linux(core)))} <= {"note"}
