"""Attached drives: twins are warned of, and a drive of a job is named by it."""

from __future__ import annotations

from io import StringIO
from typing import TYPE_CHECKING, Any

import pytest
from rich.console import Console

from tests.archive import small
from tests.support.images import run
from verify.after.known_drives import KnownDrive, known_drive, twins
from verify.after.running_screen import print_drives
from verify.platforms.running_machine import SeenDrive, SeenTable

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command
    from verify.archive.archive import Archive

DISK = "0AC0FFEE-0000-4000-8000-000000000001"
OTHER = "0AC0FFEE-0000-4000-8000-000000000002"


def seen(name: str, disk_id: str | None = DISK, **changes: Any) -> SeenDrive:
    """Return an attached drive with a table."""
    table = SeenTable(scheme="gpt", disk_id=disk_id, partitions=())
    fields: dict[str, Any] = {"path": f"/dev/{name}", "size_bytes": 1 << 30, "table": table}
    return SeenDrive(name=name, **(fields | changes))


def test_twins_when_two_drives_carry_one_identifier_then_both_are_named() -> None:
    """An MBR signature of zeros, and no table at all, are no identifier."""
    drives = [seen("sda"), seen("sdb"), seen("sdc", OTHER), seen("sdd", "00000000")]
    drives += [seen("sde", "00000000"), seen("sdf", None), seen("sdg", table=None)]
    assert twins(drives) == {DISK: ("/dev/sda", "/dev/sdb")}


def test_drives_when_two_are_twins_then_the_screen_warns() -> None:
    """And names the drive that a job knows."""
    paper = StringIO()
    console = Console(file=paper, width=100)
    print_drives(
        console, [seen("sda"), seen("sdb")], {"sdb": KnownDrive("J-7", "source", "serial")}
    )
    text = " ".join(paper.getvalue().split())
    assert "BEWARE /dev/sda, /dev/sdb have the same disk identifier" in text
    assert text.count("the OLD drive of job J-7") == 1
    print_drives(Console(file=(alone := StringIO()), width=100), [seen("sda")])
    assert "BEWARE" not in alone.getvalue()


OLD_BYTES, NEW_BYTES = 1000 << 20, 2000 << 20


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """Two jobs between the same drives: OLD-1 of 1,000 MiB and NEW-1 of 2,000 MiB."""
    return small.archive_of(tmp_path, 2)


@pytest.mark.parametrize(
    ("serial", "source", "size", "told"),
    [
        ("OLD-1", "drive", OLD_BYTES, KnownDrive("J-2", "source", "serial")),
        ("NEW-1", "drive", NEW_BYTES, KnownDrive("J-2", "target", "serial")),
        ("BRIDGE", "adapter", OLD_BYTES, KnownDrive("J-2", "source", "identifiers")),
        (None, None, NEW_BYTES, KnownDrive("J-2", "target", "identifiers")),
        ("CLONE-9", "drive", OLD_BYTES, None),
        (None, None, 3 << 30, None),
    ],
)
def test_known_when_a_job_has_the_drive_then_the_newest_one_and_its_side_are_named(
    archive: Archive,
    serial: str | None,
    source: str | None,
    size: int,
    told: KnownDrive | None,
) -> None:
    """By its own serial number, else by size and identifier; another serial is another drive."""
    drive = seen("sda", serial=serial, serial_source=source, size_bytes=size)
    assert known_drive(archive, drive) == told


def test_known_when_both_drives_of_a_job_are_alike_then_it_may_be_either(tmp_path: Path) -> None:
    """A clone of the same size, and no serial number."""
    new = small.header(path="/dev/new", serial="NEW-1", file_id="device:8:16")
    archive = small.archive_of(tmp_path, 0)
    small.filed(archive, "J-1", small.pair(tmp_path, new=new))
    known = known_drive(archive, seen("sda", size_bytes=OLD_BYTES))
    assert known == KnownDrive("J-1", None, "identifiers")
    assert known.says == "either drive of job J-1: nothing tells the two apart"


def test_known_when_another_model_gives_the_serial_then_it_is_another_drive(
    archive: Archive,
) -> None:
    """Makers number on their own."""
    drive = seen("sda", serial="OLD-1", serial_source="drive", model="Folio 3", size_bytes=1)
    assert known_drive(archive, drive) is None


@pytest.mark.root
@pytest.mark.tools("losetup", "sgdisk")
def test_drives_when_two_loop_devices_are_clones_then_the_command_says_so(
    command: Command, tmp_path: Path
) -> None:
    """Two copies of one image, their GPT made by sgdisk, attached by losetup."""
    images = [tmp_path / name for name in ("old.img", "new.img")]
    images[0].write_bytes(bytes(4 << 20))
    run("sgdisk", "-n", "1:2048:4095", "-U", DISK, images[0])
    images[1].write_bytes(images[0].read_bytes())
    attach = ("losetup", "--read-only", "--find", "--show")
    loops = [run(*attach, image).strip() for image in images]
    try:
        document = command("drives", "--all", "--json").document
        assert {"disk_id": DISK, "drives": sorted(loops)} in document["same_disk_id"]
        assert {row["known"] for row in document["drives"]} == {None}
        text = command("drives", "--all").out
        assert "have the same disk identifier" in " ".join(text.split())
    finally:
        for loop in loops:
            run("losetup", "--detach", loop)
