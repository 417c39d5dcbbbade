"""`audit run --drive`: the drive of a job read again: unchanged, used since, damaged."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from typing import TYPE_CHECKING, Any

import pytest

from verify.cli.app import run
from verify.report.audit import drive_words

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command

pytestmark = pytest.mark.tools("mkfs.ext4")

LONG_AGO, LATER = 1_900_000_000, 1_950_000_000
LETTER = b"Eighteen volumes, half linen, for the reading room.\n" * 60
VOLUME = "0ac0ffee-0000-4000-8000-0000000000f5"


def folder_of(place: Path) -> Path:
    """Write the files of a drive, all of them of one moment."""
    for name in ("home/letter.txt", "home/list.txt", "home/old.txt", "music/one.ogg"):
        file = place / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(name.encode() + LETTER)
    set_times(place, LONG_AGO)
    return place


def set_times(place: Path, seconds: int) -> None:
    """Set the modification time of everything in a folder."""
    for path in (place, *place.rglob("*")):
        os.utime(path, (seconds, seconds))


def volume(image: Path, folder: Path, uuid: str = VOLUME) -> Path:
    """Make an ext4 of 8 MiB that holds a folder."""
    with image.open("wb") as file:
        file.truncate(8 << 20)
    subprocess.run(["mkfs.ext4", "-q", "-U", uuid, "-d", str(folder), str(image)], check=True)
    return image


@pytest.fixture(scope="module", params=["sample", "full"])
def filed_once(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with files, their drive, a job of it and its clone, and the plan that drew it."""
    folder = tmp_path_factory.mktemp("filed")
    old = volume(folder / "old.img", folder_of(folder / "files"))
    shutil.copyfile(old, folder / "new.img")
    job = ("--job", "J-1", "--archive", str(folder / "archive"), "--depth", request.param)
    assert run(["check", str(old), str(folder / "new.img"), "--whole-drive", *job]) == 0
    plan = ("--archive", str(folder / "archive"), "-o", str(folder / "plan.json"))
    assert run(["audit", "plan", *plan]) == 0
    return folder


@pytest.fixture
def drawn(filed_once: Path, tmp_path: Path) -> tuple[Path, Path, tuple[object, ...]]:
    """A job filed from an old drive and its clone: the clone, the plan, the archive."""
    for name in ("new.img", "plan.json"):
        shutil.copyfile(filed_once / name, tmp_path / name)
    shutil.copytree(filed_once / "files", tmp_path / "files")
    at = ("--archive", filed_once / "archive")
    return tmp_path / "new.img", tmp_path / "plan.json", at


def read_again(
    command: Command, drawn: tuple[Path, Path, tuple[object, ...]], *more: object
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Carry the audit out; return what came of the drive, and the report."""
    new, plan, at = drawn
    out = plan.with_name("result.json")
    assert command("audit", "run", plan, *at, "-o", out, "--drive", f"J-1={new}", *more).code == 0
    document = command("audit", "report", out, "--json").document
    (row,) = document["drives"]
    return row, document


def test_audit_when_the_drive_is_unchanged_then_its_contents_are_proven(
    drawn: tuple[Path, Path, tuple[object, ...]], command: Command
) -> None:
    """Every file's bytes are those of the record."""
    row, document = read_again(command, drawn)
    assert (row["state"], row["side"], row["matched_by"]) == ("unchanged", "target", "identifiers")
    assert row["proven"] >= 4
    assert (row["used"], row["unclear"], row["damaged"]) == (0, 0, 0)
    assert document["unsound"] == 0


def test_audit_when_the_drive_was_used_since_then_that_is_no_damage(
    drawn: tuple[Path, Path, tuple[object, ...]], command: Command, tmp_path: Path
) -> None:
    """A file written again, one more, one removed from its folder, all with later times."""
    files = tmp_path / "files"
    (files / "home/letter.txt").write_bytes(b"Another letter.\n" * 60)
    (files / "home/new.txt").write_bytes(b"new")
    (files / "home/old.txt").unlink()
    for name in ("home", "home/letter.txt", "home/new.txt"):
        os.utime(files / name, (LATER, LATER))
    volume(drawn[0], files)
    row, document = read_again(command, drawn)
    assert (row["state"], row["used"], row["damaged"]) == ("used", 3, 0)
    assert row["proven"] >= 2
    assert document["unsound"] == 0
    shown = command("audit", "report", drawn[1].with_name("result.json")).out
    assert f"used since; 3 changed by use; {row['proven']} contents are as recorded" in " ".join(
        shown.split()
    )


def test_words_when_nothing_was_proven_then_they_say_so() -> None:
    """A job of depth layout has no digests: that no damage was found there tells nothing."""
    row = {"state": "used", "side": "target", "reason": "1 used", "proven": 0}
    assert drive_words(row) == "new drive: used since; 1 used; no contents could be compared"


def test_audit_when_bytes_changed_under_one_time_then_it_is_damage_and_the_job_is_unsound(
    drawn: tuple[Path, Path, tuple[object, ...]], command: Command
) -> None:
    """One bit of one file; its name is kept in the result only where it was asked for."""
    new, plan, _ = drawn
    data = bytearray(new.read_bytes())
    data[data.index(b"home/letter.txt" + LETTER[:20]) + 100] ^= 1
    new.write_bytes(data)
    row, document = read_again(command, drawn)
    assert (row["state"], row["damaged"], row["used"]) == ("damaged", 1, 0)
    (finding,) = document["findings"]
    assert "damaged" in finding["why"]
    result = plan.with_name("result.json")
    assert "letter.txt" not in result.read_text()
    page = plan.with_name("audit.html")
    assert "DAMAGED" in command("audit", "report", result, "-o", page).out
    assert "DAMAGED" in page.read_text()
    result.unlink()
    read_again(command, drawn, "--names")
    assert "/home/letter.txt" in result.read_text()
    assert "letter.txt" not in command("audit", "report", result, "--json").out


@pytest.mark.parametrize("ending", [".jsonl", ".csv"])
def test_audit_when_a_list_is_asked_for_then_it_names_what_is_not_as_recorded(
    ending: str, drawn: tuple[Path, Path, tuple[object, ...]], command: Command
) -> None:
    """The one damaged file, with its job; a list of names needs `--names`, and replaces none."""
    new, plan, at = drawn
    data = bytearray(new.read_bytes())
    data[data.index(b"home/letter.txt" + LETTER[:20]) + 100] ^= 1
    new.write_bytes(data)
    listed = plan.with_name(f"listed{ending}")
    arguments = ("audit", "run", plan, *at, "-o", plan.with_name("result.json"))
    command(*arguments, "--differences", listed).assert_one_sentence(2, "--names")
    row, _ = read_again(command, drawn, "--names", "--differences", listed)
    assert row["damaged"] == 1
    text = listed.read_text()
    if ending == ".jsonl":
        (name,) = [json.loads(line) for line in text.splitlines()]
        assert (name["job"], name["path"], name["state"]) == ("J-1", "/home/letter.txt", "damaged")
        assert name["then_bytes"] == name["now_bytes"] == len(b"home/letter.txt" + LETTER)
        assert name["then_modified"] == name["now_modified"]
    else:
        head, line = text.splitlines()
        assert head.startswith("job,partition,path,state")
        assert line.startswith("J-1,0,/home/letter.txt,damaged,file,")
    plan.with_name("result.json").unlink()
    again = command(*arguments, "--names", "--differences", listed)
    again.assert_one_sentence(2, "already exists")


def test_audit_when_a_file_is_gone_and_its_folder_is_as_it_was_then_it_is_unclear(
    drawn: tuple[Path, Path, tuple[object, ...]], command: Command, tmp_path: Path
) -> None:
    """Whoever removes a file changes its folder; this one vanished otherwise."""
    files = tmp_path / "files"
    (files / "home/old.txt").unlink()
    set_times(files, LONG_AGO)
    volume(drawn[0], files)
    row, document = read_again(command, drawn)
    assert (row["state"], row["unclear"], row["used"]) == ("unclear", 1, 0)
    assert document["unsound"] == 0


def test_audit_when_it_is_another_drive_then_nothing_is_held_against_the_record(
    drawn: tuple[Path, Path, tuple[object, ...]], command: Command, tmp_path: Path
) -> None:
    """A volume of the same size and files, and of another identity."""
    volume(drawn[0], tmp_path / "files", uuid="0ac0ffee-0000-4000-8000-0000000000ee")
    row, _ = read_again(command, drawn)
    assert (row["state"], row["side"]) == ("not_examined", None)
    assert "neither drive" in row["reason"]


def test_audit_when_drives_are_named_wrongly_then_nothing_is_read(
    drawn: tuple[Path, Path, tuple[object, ...]], command: Command, tmp_path: Path
) -> None:
    """Not of the form, not drawn, twice, not there."""
    new, plan, at = drawn
    words = ("audit", "run", plan, *at, "-o", tmp_path / "result.json")
    command(*words, "--drive", "J-1").assert_one_sentence(2, "JOB=DEVICE")
    command(*words, "--drive", f"J-2={new}").assert_one_sentence(2, "was not drawn")
    twice = ("--drive", f"J-1={new}", "--drive", f"J-1={new}")
    command(*words, *twice).assert_one_sentence(2, "twice")
    command(*words, "--drive", f"J-1={tmp_path / 'none'}").assert_one_sentence(4, "no such file")
    assert not (tmp_path / "result.json").exists()
