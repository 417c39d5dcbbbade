r"""The whole command on a Windows that is simulated: drives as `\\.\PhysicalDriveN`.

The program's own code for Windows runs but for the calls of kernel32 itself, which
`tests/support/fake_windows.py` answers. No Windows machine was tried.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.conftest import REPOSITORY
from tests.support.fake_windows import starting
from verify.cli.demo_images import unpack
from verify.manifest.file import open_manifest

if TYPE_CHECKING:
    from collections.abc import Callable

    Ran = subprocess.CompletedProcess[str]

OLD, NEW = "\\\\.\\PhysicalDrive0", "\\\\.\\PhysicalDrive1"
VOLUME = "\\\\?\\Volume{0ac0ffee-0000-4000-8000-000000000003}\\"
SHADOW = "\\\\?\\GLOBALROOT\\Device\\HarddiskVolumeShadowCopy3"
SECTOR = 512


@pytest.fixture
def machine(tmp_path: Path) -> dict[str, Any]:
    """Return a machine with the demo's old drive and its sound clone."""
    common = {"rotates": 0, "trim": 1}
    old, new = str(unpack("old", tmp_path)), str(unpack("sound", tmp_path))
    return {
        "drives": {
            "0": {"image": old, "product": "Quire 9", "ata": ["OLD-1", "Quire 9"], **common},
            "1": {"image": new, "product": "Ream 2", "ata": ["NEW-1", "Ream 2"], **common},
        },
    }


@pytest.fixture
def windows(machine: dict[str, Any], tmp_path: Path) -> Callable[..., Ran]:
    """Run the command there."""

    def run(*arguments: object) -> Ran:
        return subprocess.run(
            [sys.executable, "-c", starting(machine), *map(str, arguments)],
            check=False,
            cwd=REPOSITORY,
            capture_output=True,
            text=True,
            env={"HOME": str(tmp_path), "PATH": "/usr/bin:/bin", "TMPDIR": str(tmp_path)},
        )

    return run


OF_THE_DRIVE = {
    "boot-firmware",
    "drive-health",
    "drive-hidden-areas",
    "link-errors",
    "boot-driver",
    "spare-area",
} | {
    "alignment-start",
    "alignment-physical",
    "alignment-cluster",
}
"""What is judged by more on a drive than on its image: the bus, the medium, physical sectors.

`boot-firmware` says what to do before the wipe, of a drive alone."""


@pytest.mark.parametrize("target", ["sound", "faulty"])
def test_check_when_drives_are_given_by_number_then_it_is_judged_as_their_images_are(
    target: str, machine: dict[str, Any], windows: Callable[..., Ran], tmp_path: Path
) -> None:
    """In full: what is found and hashed in the same sectors is the same."""
    machine["drives"]["1"]["image"] = str(unpack(target, tmp_path))
    ran = windows("check", OLD, NEW, "--depth", "full", "--json")
    images = [machine["drives"][number]["image"] for number in "01"]
    other = windows("check", *images, "--depth", "full", "--json")
    assert ran.returncode == other.returncode, ran.stderr
    there, here = json.loads(ran.stdout), json.loads(other.stdout)
    assert there["evidence"] == here["evidence"]
    assert there["findings"] == here["findings"]
    for one, same in zip(there["outcomes"], here["outcomes"], strict=True):
        assert one == same or one["rule"] in OF_THE_DRIVE
    assert (there["source"]["serial"], there["target"]["serial"]) == ("OLD-1", "NEW-1")
    assert ran.stderr.count("never on a Windows machine") == 1
    assert "Windows machine" not in other.stderr


def test_check_when_the_old_drive_is_mounted_and_has_bad_sectors_then_both_are_found(
    machine: dict[str, Any], windows: Callable[..., Ran], tmp_path: Path
) -> None:
    """Read whole, by readers in processes of their own, and said to be in use."""
    first, count = 116_736, 409_600
    machine["volumes"] = {
        VOLUME: {"points": ["C:\\"], "extents": [[0, first * SECTOR, count * SECTOR]]}
    }
    manifest = tmp_path / "old.manifest"
    assert windows("capture", OLD, "-o", manifest, "--depth", "layout").returncode == 0
    rows = open_manifest(manifest).entries(3)
    largest = max((row for row in rows if row.extents), key=lambda row: row.size)
    sector = first + largest.extents[0][0] * 8
    machine["drives"]["0"]["bad"] = {str(sector): 1117, str(sector + 2): 23}
    ran = windows("check", OLD, NEW, "--depth", "full", "--json")
    assert ran.returncode in {1, 3}, ran.stderr
    document = json.loads(ran.stdout)
    found = {(item["rule"], item["level"]) for item in document["findings"]}
    assert ("drive-in-use", "review") in found
    unread = [item for item in document["findings"] if item["rule"] == "drive-unreadable"]
    assert largest.path in {item["path"] for item in unread}


def test_check_when_the_new_drive_goes_while_it_is_read_then_that_is_the_answer(
    machine: dict[str, Any], windows: Callable[..., Ran]
) -> None:
    """ERROR_DEVICE_NOT_CONNECTED: a named error, no verdict."""
    machine["drives"]["1"] |= {"gone_after": 40, "gone": 1167}
    ran = windows("check", OLD, NEW)
    assert ran.returncode == 4, ran.stderr
    assert "the drive is not connected" in ran.stderr
    assert "Traceback" not in ran.stderr


def test_check_when_a_volume_is_given_then_its_drive_is_named(
    machine: dict[str, Any], windows: Callable[..., Ran]
) -> None:
    """A letter is what most people would type."""
    start, length = 116_736 * SECTOR, 409_600 * SECTOR
    machine["volumes"] = {
        VOLUME: {"points": ["C:\\"], "extents": [[0, start, length]], "number": 3}
    }
    for name in ("C:", VOLUME):
        ran = windows("check", name, NEW)
        assert ran.returncode == 2, ran.stderr
        assert f"is partition 3 of {OLD}, not a whole drive." in ran.stderr.replace("\n", " ")


def test_show_when_not_elevated_then_one_sentence_says_how(
    machine: dict[str, Any], windows: Callable[..., Ran]
) -> None:
    """ERROR_ACCESS_DENIED; `drives` lists the drive all the same."""
    machine["drives"]["0"]["refuse"] = 5
    ran = windows("show", OLD)
    assert ran.returncode == 4
    assert "Open the terminal as administrator" in ran.stderr.replace("\n", " ")
    told = windows("drives", "--json")
    assert told.stderr.count("never on a Windows machine") == 1
    listed = json.loads(told.stdout)
    old, new = listed["drives"]
    assert (old["serial"], old["table"]) == ("OLD-1", None)
    assert "no permission" in old["not_opened"]
    assert new["table"]["scheme"] == "gpt"


def test_capture_when_a_shadow_copy_has_bad_sectors_then_they_are_none_of_the_drives(
    machine: dict[str, Any], windows: Callable[..., Ran], tmp_path: Path
) -> None:
    """The file is unreadable, the partition says why, and no sector of the drive is blamed."""
    first, count = 116_736, 409_600
    copy = tmp_path / "shadow.img"
    with Path(machine["drives"]["0"]["image"]).open("rb") as image:
        image.seek(first * SECTOR)
        copy.write_bytes(image.read(count * SECTOR))
    machine["volumes"] = {SHADOW: {"image": str(copy), "shadow": True}}
    manifest, view = tmp_path / "old.manifest", f"3={SHADOW}"
    arguments = ("capture", OLD, "-o", manifest, "--replace", "--view", view, "--depth")
    assert windows(*arguments, "layout").returncode == 0
    rows = open_manifest(manifest).entries(3)
    largest = max((row for row in rows if row.extents), key=lambda row: row.size)
    machine["volumes"][SHADOW]["bad"] = {str(largest.extents[0][0] * 8): 1117}
    ran = windows(*arguments, "full")
    assert ran.returncode == 0, ran.stderr
    taken = open_manifest(manifest)
    assert taken.header.capture.unreadable == ()
    assert taken.header.capture.owners == ()
    partition = taken.header.partition(3)
    assert partition is not None
    assert any("sectors of the snapshot" in str(item.reason) for item in partition.unread)
    rows = taken.entries(3)
    assert [row.path for row in rows if row.unhashed] == [largest.path]


def test_check_when_a_shadow_copy_is_given_then_the_files_of_its_moment_are_compared(
    machine: dict[str, Any], windows: Callable[..., Ran], tmp_path: Path
) -> None:
    """The old drive's system went on writing; its partition's copy is read, and none is made."""
    first, count = 116_736, 409_600
    old = Path(machine["drives"]["0"]["image"])
    manifest = tmp_path / "old.manifest"
    assert windows("capture", OLD, "-o", manifest, "--depth", "layout").returncode == 0
    rows = open_manifest(manifest).entries(3)
    taken = max((row for row in rows if row.path.startswith("/Users/")), key=lambda row: row.size)
    copy = tmp_path / "shadow.img"
    with old.open("r+b") as image:
        image.seek(first * SECTOR)
        copy.write_bytes(image.read(count * SECTOR))
        image.seek((first + taken.extents[0][0] * 8) * SECTOR)
        image.write(b"written since")
    machine["volumes"] = {
        VOLUME: {"points": ["C:\\"], "extents": [[0, first * SECTOR, count * SECTOR]], "number": 3},
        SHADOW: {"image": str(copy), "shadow": True},
    }
    arguments = ("check", OLD, NEW, "--depth", "full", "--json")
    live = json.loads(windows(*arguments).stdout)
    ran = windows(*arguments, "--source-view", f"3={SHADOW}")
    seen = json.loads(ran.stdout)
    hit = {item["path"] for item in live["findings"]}
    assert taken.path in hit
    assert taken.path not in {item["path"] for item in seen["findings"]}
    levels = [item["level"] for item in seen["findings"] if item["rule"] == "drive-in-use"]
    assert sorted(levels) == ["note", "review"]
    assert (live["verdict"], seen["verdict"]) == ("stop", "review")
    refused = windows("check", SHADOW, NEW)
    assert refused.returncode == 2
    assert "not a whole drive" in refused.stderr.replace("\n", " ")
    wrong = windows("check", OLD, NEW, "--source-view", "3=C:")
    assert wrong.returncode == 4
    assert "a partition of a drive, not a snapshot" in wrong.stderr.replace("\n", " ")


def test_running_when_the_system_lies_on_the_new_drive_then_that_is_the_answer(
    machine: dict[str, Any], windows: Callable[..., Ran], tmp_path: Path
) -> None:
    """Asked of the kernel alone: the volume with the system's letter, and the drive it is on."""
    manifest = tmp_path / "new.manifest"
    assert windows("capture", NEW, "-o", manifest, "--depth", "layout").returncode == 0
    header = open_manifest(manifest).header
    system = header.partition(3)
    assert system is not None
    extent = [1, system.start_lba * SECTOR, system.sectors * SECTOR]
    machine["volumes"] = {VOLUME: {"points": ["C:\\"], "extents": [extent], "number": 3}}
    del machine["drives"]["0"]
    ran = windows("running", "--against", manifest, "--json")
    document = json.loads(ran.stdout)
    checks = {item["what"]: item["state"] for item in document["checks"]}
    assert checks["system-drive"] == checks["new-drive"] == "fits", document
    assert ran.stderr.count("never on a Windows machine") == 1
    extent[0] = 0
    machine["drives"]["0"] = {**machine["drives"]["1"], "ata": ["OTHER-1", "Ream 2"]}
    elsewhere = json.loads(windows("running", "--against", manifest, "--json").stdout)
    checks = {item["what"]: item["state"] for item in elsewhere["checks"]}
    assert checks["new-drive"] != "fits"
