"""One drive of a set is not the whole: what each set's own tools write, and what is reported."""

from __future__ import annotations

import os
import subprocess
from typing import TYPE_CHECKING, Any

import pytest

from tests.end_to_end.checking import check
from tests.rules.cases import DATA, answers, case_of, drive, findings, partition, usual, volume
from tests.support.drives import file_window
from verify.filesystem.opaque.members import recognise_whole
from verify.filesystem.recognise import recognise
from verify.manifest.header import SectorRange
from verify.rules.drive import drive_set

if TYPE_CHECKING:
    from pathlib import Path

    from verify.manifest.header import Header

RULE = drive_set.RULE
MIB = 1 << 20


def run(*command: object) -> str:
    """Run a tool; a failure fails the test."""
    words = [str(word) for word in command]
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


def member(kind: str, *features: str, **more: Any) -> Header:
    """Return a drive with one partition of a set's kind."""
    of = {"id": "A", "features": features, **more}
    return drive([partition(1, 1, 100, kind, of=of)])


@pytest.mark.parametrize(
    ("header", "level"),
    [
        (member("md-raid", "level-5", "devices-3"), "stop"),
        (member("md-raid", "level-1", "devices-2"), "review"),
        (member("md-raid", "level-1", "devices-1"), None),
        (member("lvm", "devices-2"), "stop"),
        (member("lvm", "devices-1"), None),
        (member("lvm"), "review"),
        (member("lvm", "devices-1", "cached"), "review"),
        (member("btrfs", "devices-2"), "stop"),
        (member("btrfs"), None),
        (member("bcache", "cached"), "review"),
        (member("isw-raid", "devices-2"), "stop"),
        (member("ddf-raid"), "review"),
        (drive([partition(1, 1, 100, type="42")]), "review"),
        (drive([partition(1, 1, 9, type="E75CAF8F-F680-4CEE-AFA3-B001E56EFC2D")]), "review"),
        (drive([partition(1, 1, 100, type=DATA)]), None),
    ],
)
def test_set_when_the_old_drive_is_one_of_it_then_the_level_is_by_what_is_missing(
    header: Header, level: str | None
) -> None:
    """Told once, however good the clone is."""
    case = case_of(header, header)
    assert [item.level.value for item in findings(RULE, case)] == ([level] if level else [])
    assert answers(RULE, case) == (["different"] if level else ["same"])


def test_set_when_only_the_new_drive_says_so_then_it_is_review() -> None:
    """Metadata left over at the end of a used drive."""
    whole = volume("isw-raid", features=("devices-2",))
    marked = drive(usual()).model_copy(update={"whole_drive": whole})
    found = findings(RULE, case_of(drive(usual()), marked))
    assert [item.level.value for item in found] == ["review"]
    assert "The new drive is marked" in found[0].message


def test_set_when_its_members_are_known_then_they_are_named() -> None:
    """As far as the metadata tells."""
    header = member("lvm", "devices-2", members=("aaa", "bbb"))
    assert "aaa, bbb" in findings(RULE, case_of(header, header))[0].message


@pytest.mark.parametrize(("devices", "level"), [("devices-2", "stop"), ("devices-1", "review")])
def test_set_when_a_dynamic_disk_tells_its_group_then_it_is_told_once(
    devices: str, level: str
) -> None:
    """By the database where there are others; a lone one still names places on its drive."""
    group = volume("ldm", id="G", features=(devices,), members=("Disk1", "Disk2"))
    header = drive([partition(1, 1, 100, type="42")]).model_copy(update={"whole_drive": group})
    (found,) = findings(RULE, case_of(header, header))
    assert found.level.value == level
    assert ("Disk1, Disk2" in found.message) == (devices == "devices-2")


def test_set_when_the_drive_s_end_is_unreadable_then_it_was_not_examined() -> None:
    """That is where such metadata stands."""
    old = drive(usual())
    end = old.drive.size_bytes // 512
    ranges = (SectorRange(start_lba=end - 8, sectors=8),)
    broken = old.model_copy(
        update={"capture": old.capture.model_copy(update={"unreadable": ranges})}
    )
    assert answers(RULE, case_of(broken, old)) == ["not_examined"]


@pytest.mark.root
@pytest.mark.tools("pvcreate", "vgcreate", "pvs", "losetup")
def test_lvm_when_a_group_spans_two_drives_then_one_is_stop_and_both_are_named(
    tmp_path: Path,
) -> None:
    """The identifiers are those that `pvs` prints."""
    images = [tmp_path / "one.img", tmp_path / "two.img"]
    loops: list[str] = []
    try:
        for image in images:
            image.write_bytes(b"")
            os.truncate(image, 16 * MIB)
            loops.append(run("losetup", "-f", "--show", image).strip())
        run("pvcreate", "-q", "-y", *loops)
        run("vgcreate", "-q", "invented", *loops)
        expected = set(run("pvs", "--noheadings", "-o", "pv_uuid", *loops).split())
    finally:
        for loop in loops:
            run("losetup", "-d", loop)
    found = recognise(file_window(images[0]))
    assert found.label == "invented"
    assert set(found.members) == expected
    assert found.features == ("devices-2",)
    comparison = check(images[0], images[0])
    assert ("drive-set", "stop") in {(item.rule, item.level) for item in comparison.findings}


@pytest.mark.tools("mkfs.btrfs")
@pytest.mark.parametrize("count", [1, 2])
def test_btrfs_when_it_has_two_devices_then_one_is_stop(count: int, tmp_path: Path) -> None:
    """And the quiet twin on a single device."""
    images = [tmp_path / f"{number}.img" for number in range(count)]
    for image in images:
        image.write_bytes(b"")
        os.truncate(image, 128 * MIB)
    run("mkfs.btrfs", "-q", *images)
    comparison = check(images[0], images[0])
    told = [item.level for item in comparison.findings if item.rule == "drive-set"]
    assert told == ([] if count == 1 else ["stop"])


def test_whole_drive_when_intel_s_metadata_ends_it_then_disks_are_counted(tmp_path: Path) -> None:
    """Signature, counts and serials as mdadm's struct imsm_super has them (from memory)."""
    block = bytearray(512)
    block[:32] = b"Intel Raid ISM Cfg Sig. 1.3.00\0\0"
    block[56:58] = bytes([2, 1])
    block[216:232], block[264:280] = b"SERIAL-ONE".ljust(16, b"\0"), b"SERIAL-TWO".ljust(16)
    image = tmp_path / "drive.img"
    image.write_bytes(bytes(MIB - 1024) + bytes(block) + bytes(512))
    found = recognise_whole(file_window(image))
    assert found is not None
    assert (found.kind, found.features) == ("isw-raid", ("devices-2",))
    assert found.members == ("SERIAL-ONE", "SERIAL-TWO")


@pytest.mark.parametrize("garbage", [b"\0", b"\xff", b"Intel Raid ISM Cfg Sig. "])
def test_whole_drive_when_its_end_is_something_else_then_there_is_no_set(
    garbage: bytes, tmp_path: Path
) -> None:
    """Zeros, ones, and a signature in a wrong place."""
    image = tmp_path / "drive.img"
    image.write_bytes((garbage * MIB)[: MIB - 7 * 512 - 3])
    assert recognise_whole(file_window(image)) is None
