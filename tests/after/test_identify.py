"""`identify`: by serial, by identifiers, cannot tell; everything that forbids a wipe."""

from __future__ import annotations

import os
import re
import shutil
from dataclasses import replace
from importlib import import_module
from typing import TYPE_CHECKING, Any, get_args

import pytest

from tests.archive.small import filed, header, pair, written
from tests.rules.cases import changed, drive, usual, volume
from verify.after.identify import State
from verify.after.identify_screen import saying
from verify.archive.archive import make_archive
from verify.archive.filing import file_event
from verify.filesystem.entry import Entry
from verify.manifest.file import is_manifest, open_manifest, write_manifest
from verify.manifest.partition_contents import Contents
from verify.manifest.row import Block, encode_block, encode_entry
from verify.text.language import LANGUAGES, speaking, translated

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command
    from verify.archive.archive import Archive
    from verify.manifest.file import Manifest
    from verify.manifest.header import Header

NO_SERIAL: dict[str, Any] = {"serial": None, "serial_source": None}


@pytest.fixture
def as_files() -> None:
    """Ask that a manifest is taken for what it is."""


@pytest.fixture(autouse=True)
def _attached(monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> None:
    """Let a manifest stand for an attached drive that reads as it was recorded."""
    if "as_files" in request.fixturenames:
        return
    real = vars(import_module("verify.cli.identify"))["_read"]

    def reading(drive: str, *rest: Any) -> Manifest:
        return open_manifest(drive) if is_manifest(drive) else real(drive, *rest)

    monkeypatch.setattr("verify.cli.identify._read", reading)
    monkeypatch.setattr("verify.cli.identify._is_recorded", lambda _: False)


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """One sound job, whose new drive was seen starting alone."""
    made = make_archive(tmp_path / "archive")
    filed(made, "J-1", pair(tmp_path), verdict="sound")
    file_event(made, "J-1", "started", None)
    return made


def identified(command: Command, archive: Archive, drive: Path) -> dict[str, Any]:
    """Identify a drive, whose exit is the answer: 0 where nothing forbids wiping it."""
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
    assert shown.out.startswith(" OK  OLD DRIVE OF JOB J-1: MAY BE WIPED.")


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


@pytest.mark.parametrize("words", [("identify",), ("running", "--against")])
def test_drive_when_neither_it_nor_an_archive_is_there_then_that_is_told_first(
    words: tuple[str, ...], tmp_path: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A slip of the hand must not look like a shop without an archive."""
    monkeypatch.setenv("DRIVEWITNESS_ARCHIVE", str(tmp_path / "none"))
    command(*words, tmp_path / "J-1.img").assert_one_sentence(4, "no such file or device")


def test_running_when_a_name_fits_neither_a_manifest_nor_an_archive_then_both_are_told(
    tmp_path: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was looked for as either."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DRIVEWITNESS_ARCHIVE", str(tmp_path / "none"))
    ran = command("running", "--against", "J-1")
    ran.assert_one_sentence(4, "J-1: there is no such manifest, and no archive of jobs in")


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


@pytest.mark.usefixtures("as_files")
@pytest.mark.parametrize("side", ["old", "new"])
def test_identify_when_only_a_manifest_is_given_then_no_drive_may_be_wiped(
    side: str, archive: Archive, tmp_path: Path, command: Command
) -> None:
    """The record of a drive says nothing of what lies on the bench."""
    file = tmp_path / f"{side}.manifest"
    document = identified(command, archive, file)
    assert (document["state"], document["read_now"]) == ("file", False)
    assert document["against"][0] == "It is a manifest: the drive itself was not read."
    shown = command("identify", file, "--archive", archive.root).out
    assert shown.startswith(" ?  FILE OF JOB J-1: NO DRIVE WAS READ.")
    assert "Manifest:" in shown.rsplit("\n\n", 1)[-1]
    assert "wipe" not in shown.rsplit("\n\n", 1)[-1]


def test_identify_when_an_image_is_known_then_no_drive_may_be_wiped(
    tmp_path: Path, command: Command
) -> None:
    """An image of the old side, told from the new one by its size: a file all the same."""
    image = {**NO_SERIAL, "kind": "image"}
    archive = make_archive(tmp_path / "archive")
    paths = pair(tmp_path, header(**image), header(**image, size_mib=2000))
    filed(archive, "J-1", paths, verdict="sound")
    file_event(archive, "J-1", "started", None)
    document = identified(command, archive, paths[0])
    assert document["which"] == "source"
    assert document["against"] == ["It is an image: no drive was read."]
    last = command("identify", paths[0], "--archive", archive.root).out.rsplit("\n\n", 1)[-1]
    assert not re.search("wipe|YES|NOT YET", last)


ENDS: dict[State, tuple[str, str]] = {
    "new": ("NO. It is the new drive.", "NEW-1, 2.10 GB"),
    "free": ("YES. Make sure first that important data has a backup.", "OLD-1, 1.05 GB"),
    "wait": ("NOT YET. The machine must first start from the new drive alone.", "OLD-1, 1.05 GB"),
    "keep": ("NO. The reasons against it are named above.", "OLD-1, 1.05 GB"),
    "not_known": ("NO. No job of this archive has it.", "X-9, 1.05 GB"),
    "cannot_tell": ("NO. It is not clear which drive this is.", "of the adapter B-1, 1.05 GB"),
}
"""Sizes by arithmetic: 1,000 and 2,000 MiB are 1.05 and 2.10 GB."""


def screens(tmp_path: Path, command: Command, *more: str) -> dict[State, str]:
    """Return the screen of each case."""
    shown: dict[State, str] = {}
    for state in ENDS:
        folder = tmp_path / state
        folder.mkdir(parents=True)
        adapter = {"serial": "B-1", "serial_source": "adapter"} if state == "cannot_tell" else {}
        old, new = pair(
            folder, header(**adapter), header(**adapter, path="/dev/new") if adapter else None
        )
        archive = make_archive(folder / "archive")
        verdict = "stop" if state == "keep" else "sound"
        filed(archive, "J-1", (old, new), verdict=verdict)
        if state != "wait":
            file_event(archive, "J-1", "started", None)
        at_hand: dict[State, Path] = {
            "new": new,
            "not_known": written(folder, "x", header(serial="X-9")),
        }
        ran = command("identify", at_hand.get(state, old), "--archive", archive.root, *more)
        assert ran.code == (0 if state == "free" else 3)
        shown[state] = ran.out
    return shown


@pytest.mark.parametrize("code", LANGUAGES)
def test_identify_when_shown_then_each_case_begins_with_a_word_of_its_own(
    code: str, tmp_path: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Capitals, and what the drive is; no two cases can be mixed up at a glance."""
    monkeypatch.setenv("COLUMNS", "200")
    first = {
        state: text.splitlines()[0].split(maxsplit=1)[1]
        for state, text in screens(tmp_path, command, "--lang", code).items()
    }
    with speaking(code):
        for state, line in first.items():
            assert line == translated(saying(state, "J-1"))
        every = [translated(saying(state, "J-1")) for state in get_args(State)]
    assert all(line == line.upper() for line in every)
    assert len({line.split()[0].strip(":") for line in every}) == len(every) == 7


def test_identify_when_shown_then_it_ends_with_the_answer(
    tmp_path: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Yes only for the old drive with its new one seen starting; the drive at hand is named."""
    monkeypatch.setenv("COLUMNS", "200")
    for state, text in screens(tmp_path, command).items():
        answer, drive = ENDS[state]
        last = text.splitlines()[-1]
        model = "Sheaf 2" if state == "new" else "Quire 9"
        assert last.startswith(f"May this drive be wiped? {answer} This drive: {model}, serial")
        assert last.endswith(f"{drive}.")


@pytest.mark.parametrize("code", LANGUAGES)
def test_identify_when_narrow_or_wide_then_lines_end_between_words(
    code: str, tmp_path: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At every width the words are those of a screen that has room for all."""
    archive = make_archive(tmp_path / "archive")
    old, new = pair(tmp_path)
    filed(archive, "J-1", (old, new), verdict="stop")

    def shown(width: int) -> str:
        monkeypatch.setenv("COLUMNS", str(width))
        return command("identify", old, "--archive", archive.root, "--lang", code).out

    whole = set(shown(1000).split())
    for width in range(60, 201, 4):
        out = shown(width)
        assert set(out.split()) == whole
        assert max(map(len, out.splitlines())) <= width


def test_identify_when_german_then_nothing_of_ours_stays_in_english(
    tmp_path: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every line of every case but the names of the drives."""
    monkeypatch.setenv("COLUMNS", "200")
    english = [text.splitlines() for text in screens(tmp_path / "en", command).values()]
    german = screens(tmp_path / "de", command, "--lang", "de")
    known = {line for lines in english for line in lines}
    same = {line for text in german.values() for line in text.splitlines()} & known
    assert {line for line in same if re.search("[a-z]{3}", line)} == set()
    last = german["wait"].splitlines()[-1]
    assert last.startswith("Darf dieses Laufwerk gelöscht werden? NOCH NICHT. Der Rechner muss")


def with_rows(path: Path, of: Header, rows: dict[int, bytes]) -> Path:
    """Write a manifest with these rows."""
    groups: dict[int, Path | None] = {item.number: None for item in of.partitions}
    for number, data in rows.items():
        groups[number] = path.with_name(f"{path.name}.{number}.rows")
        groups[number].write_bytes(data)  # type: ignore[union-attr]
    write_manifest(path, of, groups)
    return path


def known_then(tmp_path: Path, of: Header, rows: dict[int, bytes]) -> Archive:
    """File a sound job of an old drive with these rows, whose new drive was seen starting."""
    then = with_rows(tmp_path / "then", of, rows)
    archive = make_archive(tmp_path / "archive")
    filed(archive, "J-1", (then, pair(tmp_path)[1]), verdict="sound")
    file_event(archive, "J-1", "started", None)
    return archive


@pytest.mark.parametrize("changed_now", [False, True])
def test_identify_when_a_raw_block_changed_since_then_it_is_stopped(
    *, changed_now: bool, tmp_path: Path, command: Command
) -> None:
    """A partition without a readable filesystem, one of whose blocks is not what it was."""
    raw = volume("xfs")
    of = header().model_copy(
        update={
            "partitions": tuple(
                changed(usual(), 4, filesystem=raw, listing=None, contents=Contents())
            )
        }
    )
    blocks = [encode_block(Block(at, "00" * 32)) for at in range(3)]
    archive = known_then(tmp_path, of, {4: b"".join(blocks)})
    if changed_now:
        blocks[1] = encode_block(Block(1, "11" * 32))
    now = with_rows(tmp_path / "now", of, {4: b"".join(blocks)})
    document = identified(command, archive, now)
    assert document["changed"] == (["partition 4: 1 blocks"] if changed_now else [])
    assert document["state"] == ("keep" if changed_now else "free")


@pytest.mark.parametrize("readable", [True, False])
def test_identify_when_a_file_cannot_be_read_any_more_then_it_is_stopped(
    *, readable: bool, tmp_path: Path, command: Command
) -> None:
    """What was hashed then and cannot be read now is not known to be what it was."""
    entry = Entry(kind="file", path="/letter.txt", node=9, size=3, modified=5, digest="00" * 32)
    archive = known_then(tmp_path, header(), {3: encode_entry(entry)})
    if not readable:
        entry = replace(entry, digest=None, unhashed="a sector failed")
    now = with_rows(tmp_path / "now", header(), {3: encode_entry(entry)})
    document = identified(command, archive, now)
    assert document["changed"] == ([] if readable else ["partition 3: 1 unreadable"])
    assert document["may_be_wiped"] is readable


def test_identify_when_another_model_gives_the_serial_then_it_is_another_drive(
    archive: Archive, tmp_path: Path, command: Command
) -> None:
    """Makers number on their own: one serial number under two models is two drives."""
    other = header(model="Ream 4", size_mib=500)
    document = identified(command, archive, written(tmp_path, "other", other))
    assert (document["which"], document["state"]) == ("unknown", "not_known")


def test_identify_when_what_was_filed_of_a_start_is_another_jobs_then_it_is_stopped(
    tmp_path: Path, command: Command
) -> None:
    """A word sealed whole, brought over from a job of the same name in another archive."""
    other = make_archive(tmp_path / "other")
    paths = pair(tmp_path)
    filed(other, "J-1", paths, verdict="sound", notes="another job")
    file_event(other, "J-1", "started", None)
    archive = make_archive(tmp_path / "archive")
    filed(archive, "J-1", paths, verdict="sound")
    shutil.copytree(other.jobs / "J-1~started", archive.jobs / "J-1~started")
    against = identified(command, archive, paths[0])["against"]
    assert any("J-1~started belongs to another job" in line for line in against)
