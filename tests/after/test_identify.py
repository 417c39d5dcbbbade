"""`identify`: by serial, by identifiers, cannot tell; everything that stands against a wipe."""

from __future__ import annotations

import os
import shutil
from typing import TYPE_CHECKING, Any

import pytest

from tests.archive.small import filed, header, pair, written
from tests.rules.cases import drive, usual
from verify.archive.archive import make_archive
from verify.archive.filing import file_event
from verify.filesystem.entry import Entry
from verify.manifest.file import open_manifest, write_manifest
from verify.manifest.row import encode_entry

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command
    from verify.archive.archive import Archive

NO_SERIAL: dict[str, Any] = {"serial": None, "serial_source": None, "kind": "image"}


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """One sound job, whose new drive was seen starting alone."""
    made = make_archive(tmp_path / "archive")
    filed(made, "J-1", pair(tmp_path), verdict="sound")
    file_event(made, "J-1", "started", None)
    return made


def identified(command: Command, archive: Archive, drive: Path) -> dict[str, Any]:
    """Identify a drive, whose exit is the answer: 0 where nothing stands against it."""
    ran = command("identify", drive, "--archive", archive.root, "--json")
    document: dict[str, Any] = ran.document
    assert ran.code == (0 if document["may_be_wiped"] else 3)
    assert document["may_be_wiped"] is (not document["against"])
    return document


def test_identify_when_it_is_the_old_drive_of_a_sound_job_then_nothing_stands_against_it(
    archive: Archive, tmp_path: Path, command: Command
) -> None:
    """Known by its serial, unchanged, the new one seen starting: exit 0."""
    document = identified(command, archive, tmp_path / "old.manifest")
    assert document["against"] == []
    assert (document["which"], document["job"]) == ("source", "J-1")
    assert (document["matched_by"], document["changed"]) == ("serial", [])
    shown = command("identify", tmp_path / "old.manifest", "--archive", archive.root)
    assert shown.code == 0
    assert "the old drive of job J-1" in shown.out


def test_identify_when_it_is_the_new_drive_then_it_is_stopped(
    archive: Archive, tmp_path: Path, command: Command
) -> None:
    """The wrong one of the two, although all else is right."""
    document = identified(command, archive, tmp_path / "new.manifest")
    assert document["which"] == "target"
    assert document["against"] == ["It is the new drive of job J-1."]


@pytest.mark.parametrize("verdict", ["review", "stop"])
def test_identify_when_the_job_is_not_sound_then_it_is_stopped(
    verdict: str, archive: Archive, tmp_path: Path, command: Command
) -> None:
    """The newest job of a drive decides: it was checked again after the first."""
    filed(archive, "J-2", (tmp_path / "old.manifest", tmp_path / "new.manifest"), verdict=verdict)
    file_event(archive, "J-2", "started", None)
    document = identified(command, archive, tmp_path / "old.manifest")
    assert document["job"] == "J-2"
    assert document["against"] == [f"Job J-2 is not sound, but {verdict}."]


def test_identify_when_nobody_saw_it_start_then_it_is_stopped(
    tmp_path: Path, command: Command
) -> None:
    """A sound job alone is not enough."""
    archive = make_archive(tmp_path / "archive")
    paths = pair(tmp_path)
    filed(archive, "J-1", paths, verdict="sound")
    (reason,) = identified(command, archive, paths[0])["against"]
    assert "started" in reason
    assert command("jobs", "started", "J-1", "--archive", archive.root).code == 0
    assert identified(command, archive, paths[0])["may_be_wiped"]


def test_identify_when_no_job_knows_it_then_it_is_stopped(
    archive: Archive, tmp_path: Path, command: Command
) -> None:
    """Another serial and other identifiers; or a job's identifiers under another serial."""
    other = drive(usual(300), table={"disk_id": "0BADCAFE"}, **{**NO_SERIAL, "serial": "X-9"})
    assert identified(command, archive, written(tmp_path, "x", other))["which"] == "unknown"
    clone = header(serial="CLONE-7")
    document = identified(command, archive, written(tmp_path, "clone", clone))
    assert document["which"] == "unknown"
    assert "another clone" in document["against"][0]


def test_identify_when_neither_drive_told_a_serial_and_all_is_the_same_then_it_cannot_tell(
    tmp_path: Path, command: Command
) -> None:
    """A clone of the same size has its source's identifiers and table."""
    old, new = header(**NO_SERIAL), header(**NO_SERIAL, path="new.img")
    archive = make_archive(tmp_path / "archive")
    paths = pair(tmp_path, old, new)
    filed(archive, "J-1", paths, verdict="sound")
    file_event(archive, "J-1", "started", None)
    for path in paths:
        document = identified(command, archive, path)
        assert document["which"] == "cannot_tell"
        assert document["job"] is None
        assert {row["side"] for row in document["matches"]} == {"source", "target"}


def test_identify_when_an_adapter_answers_with_a_number_of_its_own_then_it_is_not_believed(
    tmp_path: Path, command: Command
) -> None:
    """Both drives were read through the adapter whose number they seem to have."""
    adapter = {"serial": "BRIDGE-1", "serial_source": "adapter"}
    archive = make_archive(tmp_path / "archive")
    paths = pair(tmp_path, header(**adapter), header(**adapter, path="/dev/new"))
    filed(archive, "J-1", paths, verdict="sound")
    assert identified(command, archive, paths[0])["which"] == "cannot_tell"


def test_identify_when_sizes_differ_then_identifiers_alone_tell_it(
    tmp_path: Path, command: Command
) -> None:
    """Without serials, but the new drive is a larger one: told, and told by what."""
    larger = {**NO_SERIAL, "path": "new.img", "size_mib": 2000}
    archive = make_archive(tmp_path / "archive")
    paths = pair(tmp_path, header(**NO_SERIAL), header(**larger))
    filed(archive, "J-1", paths, verdict="sound")
    file_event(archive, "J-1", "started", None)
    old, new = (identified(command, archive, path) for path in paths)
    assert (old["which"], old["matched_by"], old["against"]) == ("source", "identifiers", [])
    assert new["which"] == "target"
    shown = command("identify", paths[0], "--archive", archive.root)
    assert "compare the label" in shown.out


def test_identify_when_the_table_changed_since_then_it_is_stopped(
    archive: Archive, tmp_path: Path, command: Command
) -> None:
    """The serial is the same; a partition is not where it was."""
    partitions = usual()
    moved = partitions[3].model_copy(update={"start_lba": partitions[3].start_lba + 8})
    now = header().model_copy(update={"partitions": (*partitions[:3], moved)})
    document = identified(command, archive, written(tmp_path, "now", now))
    assert document["which"] == "source"
    assert document["changed"] == ["its partition table"]
    assert len(document["against"]) == 1


def test_identify_when_a_file_changed_since_then_it_is_stopped(
    tmp_path: Path, command: Command
) -> None:
    """One file of the same size has other bytes; the table is what it was."""
    paths = []
    for name, digest in (("then", "00" * 32), ("now", "11" * 32)):
        rows = tmp_path / f"{name}.rows"
        entry = Entry(kind="file", path="/letter.txt", node=9, size=3, modified=5, digest=digest)
        rows.write_bytes(encode_entry(entry))
        paths.append(tmp_path / name)
        write_manifest(
            paths[-1],
            header(),
            {item.number: rows if item.number == 3 else None for item in usual()},
        )
    archive = make_archive(tmp_path / "archive")
    filed(archive, "J-1", (paths[0], pair(tmp_path)[1]), verdict="sound")
    file_event(archive, "J-1", "started", None)
    assert identified(command, archive, paths[0])["may_be_wiped"]
    document = identified(command, archive, paths[1])
    assert document["changed"] == ["partition 3: 1 changed"]
    assert not document["may_be_wiped"]


def test_identify_when_the_job_was_tampered_with_then_it_is_stopped(
    archive: Archive, tmp_path: Path, command: Command
) -> None:
    """A record that is not what was sealed gives no leave."""
    record = archive.jobs / "J-1" / "report.html"
    record.write_text("sound, really")
    (reason,) = identified(command, archive, tmp_path / "old.manifest")["against"]
    assert "report.html" in reason


def test_identify_when_it_is_in_use_then_it_is_stopped(
    archive: Archive, tmp_path: Path, command: Command
) -> None:
    """A drive that is mounted on this machine."""
    now = written(tmp_path, "now", header(mounted=("/",)))
    (reason,) = identified(command, archive, now)["against"]
    assert "mounted" in reason


def test_identify_when_an_image_is_given_then_it_is_read_and_told(
    tmp_path: Path, command: Command
) -> None:
    """An image and its copy, read by `check` and read again: neither can be told from the other."""
    old, new = tmp_path / "old.img", tmp_path / "new.img"
    old.write_bytes(os.urandom(512) + bytes(1 << 20))
    shutil.copyfile(old, new)
    place = tmp_path / "archive"
    assert command("check", old, new, "--job", "J-1", "--archive", place).code in {0, 1, 3}
    ran = command("identify", old, "--archive", place, "--json")
    assert (ran.code, ran.document["which"]) == (3, "cannot_tell")


def test_identify_when_the_clock_was_set_back_then_the_last_in_the_chain_is_the_newest(
    tmp_path: Path, command: Command
) -> None:
    """The old drive of the first job is the new one of the second, filed by a slow clock."""
    archive = make_archive(tmp_path / "archive")
    old, new = pair(tmp_path)
    filed(archive, "J-1", (old, new), verdict="sound", now=2_000_000)
    file_event(archive, "J-1", "started", None)
    assert identified(command, archive, old)["against"] == []
    filed(archive, "J-2", (new, old), verdict="sound", now=1_000_000)
    document = identified(command, archive, old)
    assert (document["which"], document["job"]) == ("target", "J-2")
    assert "It is the new drive of job J-2." in document["against"]


def test_identify_when_it_is_read_less_deeply_than_for_the_job_then_it_is_stopped(
    tmp_path: Path, command: Command
) -> None:
    """What was sampled then and is only listed now may have changed."""
    archive = make_archive(tmp_path / "archive")
    old, new = pair(tmp_path)
    filed(archive, "J-1", (old, new), verdict="sound")
    file_event(archive, "J-1", "started", None)
    then = open_manifest(old).header
    assert then.depth == "sample"
    now = written(tmp_path, "now.manifest", then.model_copy(update={"depth": "layout"}))
    against = identified(command, archive, now)["against"]
    (words,) = against
    assert words.startswith("It was read at depth layout, and for job J-1 at depth sample:")
