"""`running`: the drive the system is really on, held against the record of the new one."""

from __future__ import annotations

import json
import shutil
import struct
import subprocess
from typing import TYPE_CHECKING, Any
from uuid import UUID

import pytest

from tests.archive.small import filed
from tests.machine.tree import ATA, USB, Tree
from tests.support.images import ESP_TYPE, LINUX_TYPE, GptTable, make_gpt_drive, write_gpt
from tests.table.layouts import Entry
from verify.archive.archive import Archive, make_archive
from verify.archive.filing import file_event, file_running
from verify.archive.proof import prove
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions
from verify.manifest.file import open_manifest, write_manifest
from verify.platforms.linux.system import Linux

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command
    from verify.manifest.header import Header

pytestmark = pytest.mark.tools("mkfs.ext4", "mkfs.fat")

DISK = "0AC0FFEE-0000-4000-8000-00000000000D"
ESP, ROOT = (f"0AC0FFEE-0000-4000-8000-00000000000{number}" for number in (1, 2))
VENDOR = "8be4df61-93ca-11d2-aa0d-00e098032b8c"
SECTORS = 40_960


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A drive of 20 MiB: an EFI partition and an ext4 with the system."""
    folder = tmp_path_factory.mktemp("drive")
    volumes = {1: folder / "esp", 2: folder / "root"}
    for number, size in ((1, 4), (2, 12)):
        with volumes[number].open("wb") as file:
            file.truncate(size << 20)
    subprocess.run(["mkfs.fat", "-i", "0badcafe", volumes[1]], check=True, capture_output=True)
    subprocess.run(
        ["mkfs.ext4", "-q", "-U", "0ac0ffee-0000-4000-8000-0000000000f5", volumes[2]], check=True
    )
    table = GptTable(
        SECTORS,
        DISK,
        {
            1: Entry(2048, 10_239, ESP_TYPE, ESP, "start"),
            2: Entry(10_240, 34_815, LINUX_TYPE, ROOT, "system"),
        },
    )
    return make_gpt_drive(folder / "drive.img", table, volumes)


@pytest.fixture(scope="module")
def read(image: Path, tmp_path_factory: pytest.TempPathFactory) -> Header:
    """What was recorded of that drive."""
    file = tmp_path_factory.mktemp("read") / "drive.manifest"
    capture(str(image), file, CaptureOptions(depth="layout"))
    return open_manifest(file).header


def recorded(read: Header, **changes: Any) -> Header:
    """Return the record as of a device with a serial number of its own."""
    told = {"kind": "device", "model": "Quire 9", "serial": "NEW-1", "serial_source": "drive"}
    return read.model_copy(update={"drive": read.drive.model_copy(update=told | changes)})


def write(folder: Path, name: str, of: Header) -> Path:
    """Write a manifest without rows."""
    path = folder / name
    write_manifest(path, of, {item.number: None for item in of.partitions})
    return path


OLD: dict[str, Any] = {"model": "Ream", "serial": "OLD-1"}


@pytest.fixture
def tree(tmp_path: Path, image: Path, monkeypatch: pytest.MonkeyPatch) -> Tree:
    """A started machine: the drive is sda, its second partition the system."""
    made = Tree(tmp_path / "machine")
    made.drive("sda", "8:0", image=image, serial="NEW-1", partitions=(1, 2))
    made.mounts(
        "8:2 / / rw,relatime - ext4 /dev/sda2 rw,discard",
        "8:1 / /boot/efi rw - vfat /dev/sda1 rw",
    )
    monkeypatch.setattr("verify.machine.look.PLATFORM", Linux(made.places))
    return made


@pytest.fixture
def archive(tmp_path: Path, read: Header) -> Archive:
    """One sound job; the new drive has the old one's size and identifiers."""
    made = make_archive(tmp_path / "archive")
    paths = write(tmp_path, "old", recorded(read, **OLD)), write(tmp_path, "new", recorded(read))
    filed(made, "J-1", paths, verdict="sound")
    return made


def look(command: Command, *arguments: object) -> tuple[dict[str, Any], dict[str, str]]:
    """Run it, whose exit is the answer; return the document, and the state of each check."""
    ran = command("running", *arguments, "--json")
    document = ran.document
    assert ran.code == (0 if document["fits"] else 3)
    return document, {row["what"]: row["state"] for row in document["checks"]}


def at(archive: Archive, job: str = "J-1") -> tuple[object, ...]:
    """Return the arguments that name a job."""
    return "--against", job, "--archive", archive.root


@pytest.mark.usefixtures("tree")
def test_running_when_it_is_the_new_drive_alone_then_yes_and_it_is_filed(
    archive: Archive, command: Command
) -> None:
    """By its serial; everything fits; `identify` on the old drive then asks for nothing more."""
    old = archive.root.parent / "old"
    before = command("identify", old, "--archive", archive.root, "--json").document
    assert any("not on record" in line for line in before["against"])
    document, states = look(command, *at(archive))
    assert (document["answer"], document["matched_by"], document["fits"]) == ("yes", "serial", True)
    assert set(states.values()) == {"fits"} | {"not_told"}
    assert {what for what, state in states.items() if state == "not_told"} == {"boot-entries"}
    assert document["system"]["drives"] == ["sda"]
    folder = archive.jobs / "J-1~running-1"
    assert json.loads((folder / "running.json").read_text()) == document
    assert prove(archive, None).whole
    after = command("identify", old, "--archive", archive.root, "--json").document
    assert not [line for line in after["against"] if "start" in line or "running" in line]
    shown = command("running", *at(archive))
    assert shown.code == 0
    first, second = shown.out.split("\n\n")[:2]
    last = shown.out.rsplit("\n\n", 1)[-1].split()
    assert first.split() == last
    assert second.startswith("THIS MACHINE\n OK  this machine runs from the new drive")
    assert "YES" not in shown.out
    # Arithmetic: 40,960 sectors of 512 bytes are 20.97 MB.
    assert " ".join(last) == (
        "May the old drive be wiped? NOT YET. Run `identify` on the old drive first."
        " Old drive: Ream, serial number OLD-1, 20.97 MB."
    )
    assert (archive.jobs / "J-1~running-2").is_dir()
    events = command("jobs", "show", "J-1", "--archive", archive.root, "--json").document["events"]
    assert [(row["event"], row["fits"]) for row in events] == [("running", True)] * 2
    assert events[0]["reason"] == document["says"]


@pytest.mark.usefixtures("tree")
def test_running_when_it_is_the_old_drive_then_no_and_identify_knows(
    archive: Archive, read: Header, tmp_path: Path, command: Command
) -> None:
    """The swap was forgotten: everything on the drive is the same but its serial."""
    other = write(tmp_path, "other", recorded(read, serial="NEW-2"))
    filed(archive, "J-2", (write(tmp_path, "was", recorded(read)), other), verdict="sound")
    file_event(archive, "J-2", "started", None)
    document, states = look(command, *at(archive, "J-2"))
    assert document["answer"] == "no"
    assert states["new-drive"] == "differs"
    assert "OLD drive" in json.dumps(document["checks"])
    told = command("identify", tmp_path / "was", "--archive", archive.root, "--json").document
    assert any("did not find the machine running" in line for line in told["against"])
    shown = command("running", *at(archive, "J-2"))
    assert shown.out.startswith("May the old drive be wiped? NO. ")
    last = " ".join(shown.out.rsplit("\n\n", 1)[-1].split())
    assert "wiped? NO. The machine does not run from the new drive. Old drive: Quire 9" in last
    assert "Wipe nothing" in shown.out


@pytest.mark.usefixtures("tree")
def test_running_when_it_is_a_further_clone_then_no(
    archive: Archive, read: Header, tmp_path: Path, command: Command
) -> None:
    """Same size, same identifiers, another serial number than both drives of the job."""
    paths = (
        write(tmp_path, "a", recorded(read, serial="X-1")),
        write(tmp_path, "b", recorded(read, serial="X-2")),
    )
    filed(archive, "J-2", paths)
    document, _ = look(command, *at(archive, "J-2"))
    assert (document["answer"], document["matched_by"]) == ("no", "serial")


@pytest.mark.parametrize(
    ("old", "new", "answer", "by"),
    [
        ({"serial": None}, {"serial": None}, "cannot_tell", None),
        ({"serial": None, "size_bytes": 1 << 20}, {"serial": None}, "yes", "identifiers"),
        ({"serial": "OLD-1"}, {"serial": "DOCK", "serial_source": "adapter"}, "yes", "identifiers"),
        ({"serial": "DOCK", "serial_source": "adapter"}, {"serial": None}, "cannot_tell", None),
        ({"serial": None}, {"serial": None, "size_bytes": 1 << 20}, "no", "identifiers"),
        ({"serial": "NEW-1"}, {"serial": "NEW-1"}, "cannot_tell", None),
        ({"serial": None}, {"serial": "NEW-1", "model": "Ream"}, "cannot_tell", None),
        ({"serial": None}, {"serial": None, "wwn": "naa.5000c5000badcafe"}, "yes", "serial"),
    ],
    ids=[
        "none", "other-size", "dock-new", "dock-both", "not-it", "one-number", "two-models", "wwn",
    ],
)  # fmt: skip
def test_running_when_serials_are_missing_then_it_is_as_honest_as_identify(  # noqa: PLR0913, PLR0917 - what it takes
    old: dict[str, Any],
    new: dict[str, Any],
    answer: str,
    by: str | None,
    tree: Tree,
    read: Header,
    tmp_path: Path,
    command: Command,
) -> None:
    """A clone of the same size carries its source's identifiers: they alone do not tell."""
    tree.write(f"sys/{ATA}/sda/device/wwid", "naa.5000c5000badcafe\n")
    archive = make_archive(tmp_path / "archive")
    paths = write(tmp_path, "o", recorded(read, **old)), write(tmp_path, "n", recorded(read, **new))
    filed(archive, "J-1", paths)
    document, _ = look(command, *at(archive))
    assert (document["answer"], document["matched_by"]) == (answer, by)


@pytest.mark.parametrize(
    ("changes", "answer"),
    [({}, "yes"), ({"serial": None}, "cannot_tell"), ({"serial": "NEW-9"}, "no")],
)
@pytest.mark.usefixtures("tree")
def test_running_when_a_manifest_is_given_then_only_a_serial_tells(
    changes: dict[str, Any],
    answer: str,
    read: Header,
    tmp_path: Path,
    command: Command,
) -> None:
    """Nothing is known of the old drive then; nothing is filed."""
    path = write(tmp_path, "new.manifest", recorded(read, **changes))
    document, _ = look(command, "--against", path)
    assert (document["answer"], document["job"]) == (answer, None)


def test_running_when_the_old_drive_is_still_attached_then_it_is_not_called_well(
    tree: Tree, archive: Archive, image: Path, tmp_path: Path, command: Command
) -> None:
    """By its serial, though its table was not read; by identifiers, behind a bridge."""
    tree.drive("sdb", "8:16", serial="OLD-1", model="Ream")
    document, states = look(command, *at(archive))
    assert (document["answer"], document["fits"], states["old-drive"]) == ("yes", False, "beware")
    assert document["says"].startswith("The old drive is still attached")
    assert (
        "\nTHIS MACHINE\n ?  it runs from the new drive, but"
        in command("running", *at(archive)).out
    )
    other = Tree(tmp_path / "other")
    shutil.copytree(tree.root / "proc", other.root / "proc")
    copy = tmp_path / "copy.img"
    shutil.copyfile(image, copy)
    other.drive("sda", "8:0", image=image, serial="NEW-1", partitions=(1, 2))
    other.drive("sdb", "8:16", image=copy, serial="DOCK", under=USB)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("verify.machine.look.PLATFORM", Linux(other.places))
        document, states = look(command, *at(archive))
    assert states["old-drive"] == "beware"
    assert "same disk identifier" in json.dumps(document["checks"])


def test_running_when_another_drive_was_not_opened_then_it_is_not_taken_for_harmless(
    tree: Tree, archive: Archive, command: Command
) -> None:
    """A drive behind a bridge that this user may not read could be the old one."""
    tree.drive("sdb", "8:16", serial="DOCK", under=USB)
    document, states = look(command, *at(archive))
    assert (states["old-drive"], document["fits"]) == ("not_told", False)


def test_running_when_partitions_changed_since_then_it_says_which(
    tree: Tree, archive: Archive, image: Path, tmp_path: Path, command: Command
) -> None:
    """The second partition ends elsewhere, as after a resize on the started machine."""
    copy = tmp_path / "copy.img"
    shutil.copyfile(image, copy)
    table = GptTable(
        SECTORS,
        DISK,
        {
            1: Entry(2048, 10_239, ESP_TYPE, ESP, "start"),
            2: Entry(10_240, 36_863, LINUX_TYPE, ROOT, "system"),
        },
    )
    write_gpt(copy, table)
    (tree.root / "dev/sda").unlink()
    (tree.root / "dev/sda").symlink_to(copy)
    document, states = look(command, *at(archive))
    assert (document["answer"], states["partitions"], document["fits"]) == ("yes", "differs", False)
    assert states["filesystems"] == "fits"
    assert "partition 2 differs from its record" in json.dumps(document["checks"])


def test_running_when_a_filesystem_was_made_anew_then_it_says_which(
    tree: Tree, archive: Archive, image: Path, tmp_path: Path, command: Command
) -> None:
    """The same partitions, another volume in the first of them."""
    copy = tmp_path / "copy.img"
    shutil.copyfile(image, copy)
    with copy.open("r+b") as file:
        file.seek(2048 * 512 + 39)  # serial of a FAT12/16 volume
        file.write(b"\1\2\3\4")
    (tree.root / "dev/sda").unlink()
    (tree.root / "dev/sda").symlink_to(copy)
    _, states = look(command, *at(archive))
    assert (states["partitions"], states["filesystems"]) == ("fits", "differs")


def test_running_when_a_start_volume_is_another_drives_then_it_says_so(
    tree: Tree, archive: Archive, command: Command
) -> None:
    """/boot/efi is still that of the old drive."""
    tree.drive("sdb", "8:16", serial="OTHER-7", partitions=(1,))
    tree.mounts("8:2 / / rw - ext4 /dev/sda2 rw", "8:17 / /boot/efi rw - vfat /dev/sdb1 rw")
    document, states = look(command, *at(archive))
    assert (states["start-volumes"], document["fits"]) == ("differs", False)


@pytest.mark.parametrize(
    ("guid", "state"),
    [(ESP, "fits"), ("0AC0FFEE-0000-4000-8000-0000000000EE", "differs"), (None, "not_told")],
    ids=["own", "another", "none"],
)
def test_running_when_the_firmware_tells_then_the_entry_it_started_by_is_held_against_the_drive(
    guid: str | None, state: str, tree: Tree, archive: Archive, command: Command
) -> None:
    """A hard drive node of UEFI 2.10, section 10.3.5.1, in the entry of BootCurrent."""
    end = b"\x7f\xff\4\0"
    path = end
    if guid is not None:
        node = struct.pack("<IQQ", 1, 2048, 8192) + UUID(guid).bytes_le + b"\2\2"
        path = b"\4\1" + struct.pack("<H", 4 + len(node)) + node + end
    text = "Quire".encode("utf-16-le") + b"\0\0"
    entry = struct.pack("<IIH", 7, 1, len(path)) + text + path
    place = "sys/firmware/efi/efivars"
    tree.write(f"{place}/Boot0004-{VENDOR}", entry)
    tree.write(f"{place}/BootOrder-{VENDOR}", struct.pack("<IH", 7, 4))
    tree.write(f"{place}/BootCurrent-{VENDOR}", struct.pack("<IH", 6, 4))
    document, states = look(command, *at(archive))
    assert states["boot-entries"] == state
    assert document["fits"] is (state != "differs")
    assert document["firmware"]["order"] == ["0004"]


def test_running_when_the_system_lies_on_two_drives_then_it_cannot_be_told(
    tree: Tree, archive: Archive, command: Command
) -> None:
    """A mirror: one new drive is not all of it."""
    tree.drive("sdb", "8:16", serial="OTHER-7", partitions=(2,))
    tree.layer("md0", "9:0", ["sda2", "sdb2"], md__level="raid1")
    tree.mounts("9:0 / / rw - ext4 /dev/md0 rw")
    document, _ = look(command, *at(archive))
    assert document["answer"] == "cannot_tell"
    assert "sda, sdb" in json.dumps(document["checks"])


def test_running_when_it_is_a_container_then_it_cannot_be_told(
    tree: Tree, archive: Archive, command: Command
) -> None:
    """The folders of its overlay are those of another system."""
    tree.mounts("0:40 / / rw - overlay overlay rw,lowerdir=/var/lib/c/1,upperdir=/var/lib/c/2")
    document, states = look(command, *at(archive))
    assert (document["answer"], states["system-drive"]) == ("cannot_tell", "not_told")
    assert "container" in json.dumps(document["checks"])


def test_running_when_the_drive_cannot_be_opened_then_it_is_a_named_error(
    tree: Tree, archive: Archive, command: Command
) -> None:
    """Its device file is not there, as in a container that was not given it; nothing is filed."""
    (tree.root / "dev/sda").unlink()
    ran = command("running", *at(archive))
    ran.assert_one_sentence(4, "sda", "no such file or device")
    assert prove(archive, None).entries == 1


@pytest.mark.usefixtures("tree")
def test_running_when_it_is_called_wrongly_then_one_sentence_says_so(
    archive: Archive, tmp_path: Path, command: Command
) -> None:
    """No job of that name; no manifest."""
    command("running", *at(archive, "J-9")).assert_one_sentence(4, "J-9")
    (tmp_path / "letter.txt").write_text("no manifest")
    command("running", "--against", tmp_path / "letter.txt").assert_one_sentence(4, "manifest")


@pytest.mark.usefixtures("tree")
def test_running_when_the_job_is_not_as_it_was_sealed_then_it_is_not_called_well(
    archive: Archive, command: Command
) -> None:
    """What it is held against was changed."""
    (archive.jobs / "J-1/report.html").write_text("sound")
    document, states = look(command, *at(archive))
    assert (states["job"], document["fits"]) == ("differs", False)


def test_identify_when_what_was_filed_about_the_start_is_no_word_of_this_job_then_it_is_stopped(
    archive: Archive, command: Command
) -> None:
    """A folder made by hand; a word that was changed after it was sealed."""

    def against() -> str:
        old = archive.root.parent / "old"
        told = command("identify", old, "--archive", archive.root, "--json").document["against"]
        return " ".join(line for line in told if "start" in line)

    made = archive.jobs / "J-1~started"
    made.mkdir()
    assert "not on record" in against()
    made.rmdir()
    document = {"at": 1, "fits": True, "says": "It fits."}
    file_running(archive, "J-1", document, None)
    assert against() == ""
    word = archive.jobs / "J-1~running-1/event.json"
    word.write_text(word.read_text().replace('"at": 1', '"at": 2'))
    assert "not confirmed by its seal" in against()


def test_identify_when_the_machine_was_looked_at_more_than_once_then_the_last_time_counts(
    archive: Archive, command: Command
) -> None:
    """Not at first, then it did, then not again."""
    old = archive.root.parent / "old"
    for fits in (False, True, False):
        document = {"at": 1, "fits": fits, "says": "So it is."}
        file_running(archive, "J-1", document, None)
        told = command("identify", old, "--archive", archive.root, "--json").document["against"]
        assert any("did not find the machine running" in line for line in told) is not fits


@pytest.mark.usefixtures("tree")
@pytest.mark.parametrize("verdict", ["review", "stop"])
def test_running_when_the_job_is_not_sound_then_the_answer_is_no(
    verdict: str, archive: Archive, tmp_path: Path, command: Command
) -> None:
    """A start from the new drive proves nothing about what it lacks."""
    filed(archive, "J-2", (tmp_path / "old", tmp_path / "new"), verdict=verdict)
    shown = command("running", *at(archive, "J-2"))
    assert shown.code == 0
    assert "NO. The job is not sound. Old drive: Ream" in " ".join(shown.out.split())


@pytest.mark.usefixtures("tree")
def test_running_when_only_a_manifest_is_known_then_wiping_is_not_spoken_of_at_the_end(
    archive: Archive, tmp_path: Path, command: Command
) -> None:
    """The manifest of the new drive does not name the old one."""
    assert archive.root.is_dir()
    last = command("running", "--against", tmp_path / "new").out.rsplit("\n\n", 1)[-1]
    assert last.startswith("No drive was identified.")
    assert "wipe" not in last


@pytest.mark.usefixtures("tree")
def test_running_when_german_then_nothing_of_ours_stays_in_english(
    archive: Archive, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every line but names; the answer is the same."""
    monkeypatch.setenv("COLUMNS", "300")
    english, german = (
        command("running", *at(archive), "--lang", code).out.splitlines() for code in ("en", "de")
    )
    same = set(english) & set(german)
    assert {line for line in same if "the" in line or "not" in line} == set()
    assert german[-1].startswith("Darf das alte Laufwerk gelöscht werden? NOCH NICHT. Erst")


@pytest.mark.usefixtures("tree")
@pytest.mark.parametrize("code", ["en", "de"])
def test_running_when_narrow_or_wide_then_lines_end_between_words(
    code: str, archive: Archive, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The words are those of a screen that has room for all."""

    def shown(width: int) -> list[str]:
        monkeypatch.setenv("COLUMNS", str(width))
        lines: list[str] = command("running", *at(archive), "--lang", code).out.splitlines()
        return lines

    whole = " ".join(shown(1000)).split()
    for width in (60, 61, 67, 80, 99, 131, 200):
        lines = shown(width)
        assert max(map(len, lines)) <= width
        words = {word for word in " ".join(lines).split() if word.isalpha()}
        # NOTE: the test's own folder makes a device's path longer than a narrow line.
        of_paths = [word for word in whole if "/" in word]
        cut = {word for word in words - set(whole) if not any(word in path for path in of_paths)}
        assert cut == set()
