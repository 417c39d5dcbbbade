"""The drives of a Linux machine, and whether its system tells them what is free."""

from __future__ import annotations

import json
import subprocess
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest

from tests.machine.tree import ATA, USB, VIRTUAL, Tree
from tests.support.images import GptTable, make_gpt_drive
from tests.table.layouts import LINUX, Entry
from verify.machine.look import attached_drives
from verify.platforms.linux.drive_identity import attached_identity
from verify.platforms.linux.machine import linux_drives, look_at_linux
from verify.platforms.linux.system import Linux

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command

DISK = "0AC0FFEE-0000-4000-8000-00000000000D"
ROOT = "0AC0FFEE-0000-4000-8000-000000000002"


@pytest.fixture
def tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Tree:
    """A drive of one partition with the system, a second on USB, and what is no drive."""
    made = Tree(tmp_path / "tree")
    table = GptTable(8192, DISK, {2: Entry(2048, 6143, LINUX, ROOT, "root")})
    image = make_gpt_drive(tmp_path / "sda.img", table, {})
    made.drive("sda", "8:0", image=image, serial="NEW-1", partitions=(2,))
    made.drive("sdb", "8:16", serial="BRIDGE", under=USB)
    made.drive("sr0", "11:0")
    made.device(VIRTUAL, "loop0", "7:0", 0)
    made.device(VIRTUAL, "zram0", "253:0", 1 << 20)
    made.drive("sdc", "8:32", size_bytes=0)
    made.mounts("8:2 / / rw,relatime - ext4 /dev/sda2 rw")
    monkeypatch.setattr("verify.machine.look.PLATFORM", Linux(made.places))
    return made


@pytest.mark.usefixtures("tree")
def test_drives_when_listed_then_each_is_told_with_what_was_not_opened() -> None:
    """Which one the system runs from; serials of bridges; tables; no medium, no drive."""
    first, second = attached_drives()
    assert (first.name, first.serial, first.serial_source) == ("sda", "NEW-1", "drive")
    assert (first.system, first.mounted) == (True, ("/",))
    assert first.table is not None
    assert (first.table.scheme, first.table.disk_id) == ("gpt", DISK)
    (partition,) = first.table.partitions
    assert (partition.start_bytes, partition.size_bytes) == (2048 * 512, 4096 * 512)
    assert (partition.number, partition.guid) == (2, ROOT)
    assert (second.name, second.serial_source, second.bus) == ("sdb", "adapter", "usb")
    assert (second.system, second.mounted, second.table) == (False, (), None)
    assert "no such file" in str(second.not_opened)


@pytest.mark.usefixtures("tree")
def test_drives_when_none_is_to_be_opened_then_no_table_is_read() -> None:
    """Asked for by a technician whose drive is failing."""
    assert [drive.table for drive in attached_drives(opening=False)] == [None, None]


def test_drives_when_a_volume_is_made_of_two_then_both_are_in_use(tree: Tree) -> None:
    """What is mounted through layers is mounted, too; the layers are reported when asked for."""
    tree.layer("dm-0", "254:0", ["sda2", "sdb"], dm__name="shop", dm__uuid="LVM-0badcafe")
    tree.mounts("254:0 / / rw - ext4 /dev/mapper/shop rw", "254:0 /home /home rw - ext4 x rw")
    first, second = linux_drives(tree.places)
    assert first.mounted == second.mounted == ("/", "/home")
    assert first.system
    assert second.system
    every = linux_drives(tree.places, every_sort=True)
    assert [drive.name for drive in every] == ["dm-0", "sda", "sdb"]


def test_identity_when_a_layer_above_a_partition_is_mounted_then_the_drive_is_in_use(
    tree: Tree, monkeypatch: pytest.MonkeyPatch
) -> None:
    """stable/sysfs-block: `holders` names what a partition is a part of, here two layers deep."""
    upper = tree.layer("dm-8", "254:8", [])
    lower = tree.layer("dm-7", "254:7", [])
    for folder, above in ((f"sys/{ATA}/sda/sda2", lower), (lower, upper)):
        holders = tree.root / folder / "holders"
        holders.mkdir()
        (holders / (tree.root / above).name).symlink_to(tree.root / above)
    mount = SimpleNamespace(device="/dev/dm-8", mountpoint="/", opts="rw,relatime")
    monkeypatch.setattr("psutil.disk_partitions", lambda *, all: [mount])  # noqa: A006, ARG005 - psutil's
    told = attached_identity(tree.root / f"sys/{ATA}/sda")
    assert (told.mounted, told.mounted_writable) == (("/",), True)
    assert attached_identity(tree.root / f"sys/{USB}/sdb").mounted == ()


@pytest.mark.tools("lsblk")
def test_drives_when_asked_of_this_machine_then_they_are_those_of_another_program() -> None:
    """util-linux' lsblk: names, sizes, read-only, mount points."""
    told = subprocess.run(
        ["lsblk", "--json", "-b", "-o", "NAME,TYPE,SIZE,RO,RM,MOUNTPOINTS"],
        check=True,
        capture_output=True,
        text=True,
    )
    rows = {
        row["name"]: row
        for row in json.loads(told.stdout)["blockdevices"]
        if row["type"] == "disk" and row["size"] and not row["name"].startswith("zram")
    }
    drives = {drive.name: drive for drive in Linux().drives(every_sort=False)}
    assert drives.keys() == rows.keys()
    for name, drive in drives.items():
        row = rows[name]
        assert (drive.size_bytes, drive.read_only) == (row["size"], row["ro"])
        own = {point for point in row["mountpoints"] if point and point != "[SWAP]"}
        assert own <= set(drive.mounted)


@pytest.mark.root
@pytest.mark.tools("losetup", "sgdisk")
def test_drives_when_a_loop_device_is_attached_then_its_table_is_read(
    tmp_path: Path, command: Command
) -> None:
    """A real device; the table is the one that sgdisk wrote. Without --all it is no drive."""
    image = tmp_path / "drive.img"
    with image.open("wb") as file:
        file.truncate(8 << 20)
    identify = ["-n", "1:2048:6143", "-u", f"1:{ROOT}", "-U", DISK]
    subprocess.run(["sgdisk", *identify, str(image)], check=True, capture_output=True)
    loop = subprocess.run(
        ["losetup", "--read-only", "--find", "--show", str(image)],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.strip()
    try:
        rows = command("drives", "--all", "--json").document["drives"]
        (row,) = [row for row in rows if row["path"] == loop]
        assert row["size_bytes"] == 8 << 20
        assert row["read_only"] is True
        assert row["table"]["disk_id"] == DISK
        assert [item["guid"] for item in row["table"]["partitions"]] == [ROOT]
        assert loop in command("drives", "--all").out
        assert loop not in command("drives").out
    finally:
        subprocess.run(["losetup", "--detach", loop], check=True)


@pytest.mark.parametrize(
    ("options", "discard", "told"),
    [
        ("rw,discard", 1, ("on", "mounted with discard")),
        ("rw,discard=async", 1, ("on", "mounted with discard=async")),
        ("rw", 1, ("off", "discards are possible, but neither the mount nor a timer sends them")),
        ("rw,discard", 0, ("off", "the drive, or a layer above it, takes no discards")),
    ],
)
def test_trim_when_asked_then_both_the_way_and_the_sender_are_needed(
    tmp_path: Path, options: str, discard: int, told: tuple[str, str]
) -> None:
    """stable/sysfs-block: discard_max_bytes is 0 where discards are not taken."""
    tree = Tree(tmp_path)
    tree.drive("sda", "8:0", discard=discard, partitions=(2,))
    tree.mounts(f"8:2 / / rw - ext4 /dev/sda2 {options}")
    trim = look_at_linux(tree.places).trim
    assert (trim.answer, trim.detail) == told


@pytest.mark.parametrize(("discard", "answer"), [(1, "on"), (0, "off")])
def test_trim_when_the_timer_is_enabled_then_it_sends_what_the_drive_takes(
    tmp_path: Path, discard: int, answer: str
) -> None:
    """An enabled timer of systemd is a link in the target's folder."""
    tree = Tree(tmp_path)
    tree.drive("sda", "8:0", discard=discard, partitions=(2,))
    tree.mounts("8:2 / / rw - ext4 /dev/sda2 rw")
    tree.write("etc/systemd/system/timers.target.wants/fstrim.timer", "")
    assert look_at_linux(tree.places).trim.answer == answer


def test_trim_when_a_layer_does_not_pass_discards_then_it_is_off(tmp_path: Path) -> None:
    """An encryption that was not told to let them through, over a drive that takes them."""
    tree = Tree(tmp_path)
    tree.drive("sda", "8:0", partitions=(2,))
    folder = tree.layer("dm-0", "254:0", ["sda2"], dm__name="luks", dm__uuid="CRYPT-LUKS2-x")
    tree.write(f"{folder}/queue/discard_max_bytes", "0\n")
    tree.mounts("254:0 / / rw - ext4 /dev/mapper/luks rw,discard")
    assert look_at_linux(tree.places).trim.answer == "off"


def test_machine_when_its_start_needs_other_mounts_then_their_drives_are_told(
    tmp_path: Path,
) -> None:
    """/boot of another drive; an automount that was not used yet does not count."""
    tree = Tree(tmp_path)
    tree.drive("sda", "8:0", partitions=(2,))
    tree.drive("sdb", "8:16", partitions=(1,))
    tree.mounts(
        "8:2 / / rw - ext4 /dev/sda2 rw",
        "8:17 / /boot rw - ext4 /dev/sdb1 rw",
        "0:50 / /efi rw - autofs systemd-1 rw",
    )
    assert look_at_linux(tree.places).start_volumes == (("/boot", ("sdb",)),)


def test_machine_when_nothing_is_told_then_it_is_said(tmp_path: Path) -> None:
    """No /proc, no /sys."""
    machine = look_at_linux(Tree(tmp_path).places)
    assert machine.drives == ()
    assert machine.system.untold is not None
    assert machine.trim.answer == "not_told"
