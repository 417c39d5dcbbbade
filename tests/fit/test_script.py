"""Layout scripts, run: sfdisk and parted make what the fit says, and nothing else happens."""

from __future__ import annotations

import contextlib
import json
import os
import re
import subprocess
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from tests.fit.fits import fit_of, five_partitions, old_500, target
from tests.rules.cases import DATA, MIB, drive
from tests.rules.cases import partition as made
from tests.support.images import run
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions
from verify.errors import UsageError
from verify.fit.script import PARTED, SFDISK, script_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from verify.fit.fit_document import FitDocument
    from verify.manifest.header import Header, Partition

ENDINGS = (SFDISK, PARTED)
LINUX = "0FC63DAF-8483-4772-8E79-3D69D8477DE4"
SWAP = "0657FD6D-A4AB-43C4-84E5-0933C84B4F4F"

BEYOND = "disk \U0001f4be"
"""Neither program writes a character beyond U+FFFF (tried)."""

OVERRIDE = "\u202egnp.exe"

HOSTILE = (
    "Basic data partition",
    'quote " quote',
    "it's",
    "$(touch made-by-a-name)",
    "`touch made-by-a-name`",
    "${HOME}",
    "a\nLAYOUT\ntouch made-by-a-name\n",
    "a\n2: start=2048, size=2048",
    'x", uuid=0, name="y',
    "back\\slash \\x41 \\n %s %d \\",
    "; rm -rf .; #",
    "mklabel msdos",
    "'; touch made-by-a-name; '",
    "äöü 文字",
    BEYOND,
    " ends with blanks  ",
    "",
    "x" * 36,
    OVERRIDE,
    "quit",
    "tab\tbell\a",
    "-s",
    "C:\\>",
    "name 1 x",
    "%%",
)
"""What a name of 36 UTF-16 units can try: the shell, a here-document, sfdisk's and parted's own
syntax, printf's formats."""


def gpt_old(names: tuple[str, ...] = ("EFI", "", "Windows", "RE", "Files")) -> Header:
    """Return the usual drive of 500 GB with names, a partition GUID each, and attributes."""
    held = [
        item.model_copy(
            update={"name": name, "guid": f"0000000{item.number}-ABCD-4EF0-8123-00000000BEEF"}
        )
        for item, name in zip(five_partitions(), names, strict=True)
    ]
    return old_500(held)


def mbr_old() -> Header:
    """Return a small drive with primary, extended and logical partitions."""
    held = [
        made(1, 1, 300, active=True, type="07", guid=None, of={"used_bytes": 50 * MIB}),
        made(2, 301, 602, "extended", type="0F", guid=None, container=True),
        made(5, 302, 200, type="07", guid=None, of={"used_bytes": 20 * MIB}),
        made(6, 503, 400, "ext4", type="83", guid=None, of={"used_bytes": 90 * MIB}),
    ]
    return drive(held, table={"scheme": "mbr"})


@contextlib.contextmanager
def new_drive(fit: FitDocument, folder: Path) -> Iterator[str]:
    """Give an empty drive of the planned size; one with sectors of 4,096 bytes is a loop device."""
    image = folder / "a new drive's image.img"
    with image.open("wb") as file:
        file.truncate(fit.target.size_bytes)
    if fit.target.sector_bytes == 512:
        yield str(image)
        return
    loop = run("losetup", "--find", "--show", "--sector-size", "4096", image).strip()
    try:
        yield loop
    finally:
        run("losetup", "--detach", loop)


def run_script(text: str, new: str | None, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a script in an empty folder of its own, in which nothing may appear."""
    file = folder / "layout.sh"
    file.write_text(text, encoding="ascii")
    inside = folder / "empty"
    inside.mkdir(exist_ok=True)
    environment = {"PATH": os.environ["PATH"], "HOME": str(inside), "TMPDIR": str(inside)}
    if new is not None:
        environment["NEW_DRIVE"] = new
    done = subprocess.run(
        ["sh", str(file)], cwd=inside, env=environment, capture_output=True, text=True, check=False
    )
    assert list(inside.iterdir()) == []
    return done


def read_back(path: str, folder: Path) -> Header:
    """Return what this program reads there."""
    return capture(path, folder / "new.manifest", CaptureOptions(depth="layout", looking=True))


def fields_of(item: Partition, *names: str) -> dict[str, Any]:
    """Return some fields of a partition."""
    return {name: getattr(item, name) for name in names}


def assert_as_planned(fit: FitDocument, old: Header, new: str, folder: Path) -> Header:
    """Hold a drive to a fit: by sfdisk's reading and by this program's."""
    table = json.loads(run("sfdisk", "--json", new))["partitiontable"]
    assert table["sectorsize"] == fit.target.sector_bytes
    told = {
        int(re.findall(r"\d+$", item["node"])[0]): (item["start"], item["size"], item["type"])
        for item in table["partitions"]
    }
    types = {item.number: item.type for item in old.partitions}
    assert {number: item[:2] for number, item in told.items()} == {
        row.number: (row.start_lba, row.sectors) for row in fit.partitions
    }
    assert {number: item[2].upper().zfill(2) for number, item in told.items()} == types
    header = read_back(new, folder)
    assert {item.number: (item.start_lba, item.sectors) for item in header.partitions} == {
        row.number: (row.start_lba, row.sectors) for row in fit.partitions
    }
    assert not header.table.problems
    assert [item.active for item in header.partitions] == [item.active for item in old.partitions]
    return header


@pytest.mark.root
@pytest.mark.tools("sfdisk", "parted", "sgdisk", "losetup", "wipefs")
@pytest.mark.parametrize("sector", [512, 4096])
@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("size", ["256 GB"])
def test_gpt_script_when_run_then_the_drive_has_the_fits_layout(
    size: str, ending: str, sector: int, tmp_path: Path
) -> None:
    """Smaller and larger, 512 and 4,096: places, types and names; sgdisk finds no problem."""
    old = gpt_old()
    fit = fit_of(old, target(size, sector), tmp_path)
    assert fit.fits
    with new_drive(fit, tmp_path) as new:
        done = run_script(script_of(fit, old, ending), new, tmp_path)
        assert done.returncode == 0, done.stderr
        header = assert_as_planned(fit, old, new, tmp_path)
        verified = run("sgdisk", "--verify", new)
        assert "No problems found" in verified
        infos = [run("sgdisk", "--info", number, new) for number in range(1, 6)]
    assert [item.name for item in header.partitions] == [item.name for item in old.partitions]
    for row, info, was in zip(fit.partitions, infos, old.partitions, strict=True):
        assert f"Partition size: {row.sectors} sectors" in info
        assert f"Partition name: '{was.name}'" in info
        if ending == SFDISK:
            assert f"Partition unique GUID: {was.guid}" in info
            assert f"Attribute flags: {was.attributes:016X}" in info
    if ending == SFDISK:
        assert header.table.disk_id == old.table.disk_id
    else:
        assert "the cloning program has to bring them" in done.stderr


@pytest.mark.root
@pytest.mark.tools("sfdisk", "parted", "losetup", "wipefs")
@pytest.mark.parametrize(("sector", "ending"), [(512, SFDISK), (4096, SFDISK), (512, PARTED)])
@pytest.mark.parametrize("size", ["1000 MiB"])
def test_mbr_script_when_run_then_the_drive_has_the_fits_layout(
    size: str, ending: str, sector: int, tmp_path: Path
) -> None:
    """Primary, extended and logical partitions, their types, and the one that is active."""
    old = mbr_old()
    fit = fit_of(old, target(size, sector), tmp_path)
    assert fit.fits
    with new_drive(fit, tmp_path) as new:
        done = run_script(script_of(fit, old, ending), new, tmp_path)
        assert done.returncode == 0, done.stderr
        header = assert_as_planned(fit, old, new, tmp_path)
    if ending == SFDISK:
        assert header.table.disk_id == old.table.disk_id == "00C0FFEE"


@pytest.mark.tools("sfdisk", "parted", "sgdisk", "wipefs")
@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("first", range(0, len(HOSTILE), 5))
def test_script_when_names_are_hostile_then_they_become_names_and_nothing_else(
    first: int, ending: str, tmp_path: Path
) -> None:
    """Each stands in the new table as in the old one; no file appears, no row is added."""
    names = HOSTILE[first : first + 5]
    old = gpt_old(names)
    fit = fit_of(old, "256 GB", tmp_path)
    with new_drive(fit, tmp_path) as new:
        done = run_script(script_of(fit, old, ending), new, tmp_path)
        assert done.returncode == 0, done.stderr
        header = assert_as_planned(fit, old, new, tmp_path)
    left = [name for name in names if ending == PARTED and not name.isprintable() and name]
    left = [name for name in left if name != OVERRIDE]
    expected = ["" if name in left or name == BEYOND else name for name in names]
    assert [item.name for item in header.partitions] == expected
    assert done.stderr.count("cannot write the name of partition") == sum(
        name != told for name, told in zip(names, expected, strict=True)
    )


@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("name", ["\ud800", "x" * 37])
def test_script_when_a_name_fits_into_no_table_then_it_is_left_out(
    name: str, ending: str, tmp_path: Path
) -> None:
    """A stray half of UTF-16 is no text to either program; a longer one is no name of a GPT."""
    plain, odd = gpt_old(), gpt_old(("EFI", name, "Windows", "RE", "Files"))
    fit = fit_of(plain, "256 GB", tmp_path)
    told = script_of(fit, odd, ending).removeprefix(script_of(fit, plain, ending))
    assert told.count("\n") == 1
    assert "cannot write the name of partition 2" in told


@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("bad", ["07\ntouch x", "$(touch x)", "", "7", "EBD0A0A2\n", DATA + "\n"])
@pytest.mark.parametrize("scheme", ["gpt", "mbr"])
def test_script_when_a_type_is_not_written_as_one_then_it_is_refused(
    scheme: str, bad: str, ending: str, tmp_path: Path
) -> None:
    """A manifest is a file that anybody can write."""
    old = gpt_old() if scheme == "gpt" else mbr_old()
    fit = fit_of(old, "500 GB", tmp_path)
    held = [old.partitions[0].model_copy(update={"type": bad}), *old.partitions[1:]]
    with pytest.raises(UsageError):
        script_of(fit, old.model_copy(update={"partitions": tuple(held)}), ending)


@pytest.mark.tools("sfdisk", "parted", "wipefs", "mkfs.ext4")
@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("wrong", ["larger", "smaller", "partitioned", "formatted", "sectors"])
def test_script_when_the_drive_is_not_the_planned_one_then_nothing_is_written(
    wrong: str, ending: str, tmp_path: Path
) -> None:
    """Another size, other sectors, or a drive that holds something: not a byte changes."""
    old = drive([made(1, 1, 8, type=DATA)], size_mib=16)
    fit = fit_of(old, target("16 MiB", 4096 if wrong == "sectors" else 512), tmp_path)
    text = script_of(fit, old, ending)
    image = tmp_path / "drive.img"
    with image.open("wb") as file:
        file.truncate(fit.target.size_bytes + {"larger": 512, "smaller": -512}.get(wrong, 0))
    if wrong == "partitioned":
        run("sgdisk", "--new=1:0:0", image)
    elif wrong == "formatted":
        run("mkfs.ext4", "-q", "-F", image)
    before = run("b2sum", image), image.stat().st_mtime_ns
    done = run_script(text, str(image), tmp_path)
    assert done.returncode == 1
    assert done.stderr.startswith("Nothing was written: ")
    assert len(done.stderr.splitlines()) == 1
    assert (run("b2sum", image), image.stat().st_mtime_ns) == before


@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("new", [None, "", "sda", "--help", "/dev", "/dev/null", "/no such drive"])
@pytest.mark.tools("sfdisk", "parted", "wipefs")
def test_script_when_no_drive_is_named_then_it_stops(
    new: str | None, ending: str, tmp_path: Path
) -> None:
    """Nothing is guessed: an empty variable, an option, a folder or another kind of device."""
    old = mbr_old()
    done = run_script(script_of(fit_of(old, "1000 MiB", tmp_path), old, ending), new, tmp_path)
    assert done.returncode == 1
    assert done.stderr.startswith("Nothing was written: ")


def test_parted_script_when_parted_cannot_make_it_then_sfdisk_is_named(tmp_path: Path) -> None:
    """Types without a flag, and numbers that parted would give otherwise."""
    other = made(1, 1, 100, type="933AC7E1-2EB4-4F13-B844-0E14E2AEF915")
    gap = made(3, 1, 100, type=LINUX)
    recovery = made(1, 1, 100, type="27", guid=None)
    for old in (
        drive([other]),
        drive([gap]),
        drive([recovery], table={"scheme": "mbr"}),
    ):
        fit = fit_of(old, "500 GB", tmp_path)
        with pytest.raises(UsageError) as refused:
            script_of(fit, old, PARTED)
        assert SFDISK in str(refused.value.hint())
        assert script_of(fit, old, SFDISK)


def test_parted_script_when_an_mbr_has_large_sectors_then_it_is_refused(tmp_path: Path) -> None:
    """There parted 3.5 ends by its own assertion in about every second run (tried)."""
    old = mbr_old()
    fit = fit_of(old, target("1000 MiB", 4096), tmp_path)
    with pytest.raises(UsageError, match="4,096 bytes"):
        script_of(fit, old, PARTED)
    assert script_of(fit, old, SFDISK)


@pytest.mark.tools("sfdisk", "sgdisk", "wipefs")
def test_sfdisk_script_when_numbers_have_gaps_then_they_are_kept(tmp_path: Path) -> None:
    """Numbers out of order of place, and one of a table of 256 entries."""
    held = [
        made(130, 1, 100, type=LINUX, of={"used_bytes": MIB}),
        made(7, 101, 50, "swap", type=SWAP),
        made(2, 151, 100, type=DATA, of={"used_bytes": MIB}),
    ]
    plain = drive(held)
    primary = plain.table.primary
    assert primary is not None
    table = replace(plain.table, primary=replace(primary, entries_count=256))
    old = plain.model_copy(update={"table": table})
    fit = fit_of(old, "500 MiB", tmp_path)
    with new_drive(fit, tmp_path) as new:
        done = run_script(script_of(fit, old, SFDISK), new, tmp_path)
        assert done.returncode == 0, done.stderr
        told = run("sgdisk", "--print", new)
    assert "Partition table holds up to 256 entries" in told
    rows = re.findall(r"^ +(\d+) +(\d+) +(\d+) ", told, re.MULTILINE)
    assert {tuple(map(int, row)) for row in rows} == {
        (row.number, row.start_lba, row.start_lba + row.sectors - 1) for row in fit.partitions
    }


def test_script_when_sfdisk_has_no_word_for_an_attribute_then_it_is_said(tmp_path: Path) -> None:
    """Bits 3 to 47 are reserved (UEFI 2.10 section 5.3.3); none is lost without a word."""
    old = drive([made(1, 1, 100, type=DATA, attributes=1 << 63 | 1 << 5 | 1)])
    text = script_of(fit_of(old, "500 GB", tmp_path), old, SFDISK)
    assert 'attrs="RequiredPartition GUID:63"' in text
    assert "cannot write attributes 20 of partition 1" in text
