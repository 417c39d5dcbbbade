"""The seal: what it is by its own documents, and that everything done to an archive is named."""

from __future__ import annotations

import json
import os
import shutil
import stat
from typing import TYPE_CHECKING, Any

import pytest
from blake3 import blake3

from tests.archive.small import archive_of, filed, pair
from verify.archive.filing import delete_job, file_event, file_running
from verify.archive.seal import Key, make_key
from verify.whole_file import whole_file

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.cli.command import Command
    from verify.archive.archive import Archive

KEY = Key(bytes(range(32)))


def problems(command: Command, archive: Archive, *more: object) -> set[tuple[Any, ...]]:
    """Return what `jobs verify` finds amiss: what, which entry, which file."""
    ran = command("jobs", "verify", "--archive", archive.root, "--json", *more)
    document = ran.document
    assert ran.code == (0 if document["whole"] else 3)
    assert document["whole"] is (not document["problems"])
    return {(row["what"], row["entry"], row["file"]) for row in document["problems"]}


def sealed_text(seal: dict[str, Any]) -> bytes:
    """Return what is sealed, by docs/jobs.md: all fields but the seal, sorted, without spaces."""
    told = {name: value for name, value in seal.items() if name != "seal"}
    return json.dumps(told, sort_keys=True, separators=(",", ":")).encode("ascii")


@pytest.mark.parametrize("key", [None, KEY], ids=["unkeyed", "keyed"])
def test_seal_when_computed_again_by_its_page_then_it_is_the_same(
    key: Key | None, tmp_path: Path
) -> None:
    """From the folder alone, with the library's own BLAKE3 (keyed mode where there is a key)."""
    archive = archive_of(tmp_path, 2, key)
    before = None
    for number, job in enumerate(("J-1", "J-2"), 1):
        seal = json.loads((archive.jobs / job / "seal.json").read_text())
        text = sealed_text(seal)
        digest = blake3(text, key=key.secret) if key else blake3(text)
        assert seal["seal"] == digest.hexdigest()
        assert (seal["number"], seal["previous"]) == (number, before)
        for name, told in seal["files"].items():
            data = (archive.jobs / job / name).read_bytes()
            assert told == {"bytes": len(data), "blake3": blake3(data).hexdigest()}
        before = seal["seal"]


def test_verify_when_nothing_was_done_then_all_is_whole(tmp_path: Path, command: Command) -> None:
    """With and without a key; the newest seal is reported."""
    archive = archive_of(tmp_path, 3)
    assert problems(command, archive) == set()
    last = command("jobs", "verify", "--archive", archive.root, "--json").document["last"]
    assert last == {"number": 3, "entry": "J-3", "seal": archive.sealed("J-3").seal}
    assert problems(command, archive, "--last", archive.sealed("J-2").seal) == set()


def _change(archive: Archive) -> None:
    path = archive.jobs / "J-2" / "source.manifest.jsonl.gz"
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


def _new_word(archive: Archive) -> None:
    path = archive.jobs / "J-2" / "seal.json"
    path.write_text(path.read_text().replace('"J-1"', '"J-0"'))


def _swap(archive: Archive) -> None:
    shutil.rmtree(archive.jobs / "J-2")
    shutil.copytree(archive.jobs / "J-3", archive.jobs / "J-2")


WHAT_WAS_DONE: dict[str, tuple[Callable[[Archive], object], tuple[str, str, str | None]]] = {
    "one bit of a file": (_change, ("changed", "J-2", "source.manifest.jsonl.gz")),
    "a file gone": (
        lambda archive: (archive.jobs / "J-1/report.html").unlink(),
        ("missing", "J-1", "report.html"),
    ),
    "a file more": (
        lambda archive: (archive.jobs / "J-3/invoice.txt").write_text("12"),
        ("added", "J-3", "invoice.txt"),
    ),
    "a job gone": (
        lambda archive: shutil.rmtree(archive.jobs / "J-2"),
        ("removed", "J-2", None),
    ),
    "the first job gone": (
        lambda archive: shutil.rmtree(archive.jobs / "J-1"),
        ("removed", "J-1", None),
    ),
    "a seal gone": (
        lambda archive: (archive.jobs / "J-2/seal.json").unlink(),
        ("unsealed", "J-2", "seal.json"),
    ),
    "a seal changed": (_new_word, ("changed", "J-2", "seal.json")),
    "a folder that is no job": (
        lambda archive: (archive.jobs / "J-4").mkdir(),
        ("unsealed", "J-4", "seal.json"),
    ),
    "a job in another's place": (_swap, ("unsealed", "J-2", "seal.json")),
}


@pytest.mark.parametrize("what", WHAT_WAS_DONE)
def test_verify_when_something_was_done_then_it_is_named(
    what: str, tmp_path: Path, command: Command
) -> None:
    """The very file, or the very job, with exit 3."""
    archive = archive_of(tmp_path, 3)
    done, expected = WHAT_WAS_DONE[what]
    done(archive)
    assert expected in problems(command, archive)
    assert expected[1] in command("jobs", "verify", "--archive", archive.root).out


def test_verify_when_a_seal_cannot_be_read_then_its_job_is_not_called_removed(
    tmp_path: Path, command: Command
) -> None:
    """The job is there; only what was said of it is not."""
    archive = archive_of(tmp_path, 3)
    (archive.jobs / "J-2" / "seal.json").write_text("torn")
    assert problems(command, archive) == {("unsealed", "J-2", "seal.json")}


def test_verify_when_several_jobs_in_a_row_are_gone_then_their_numbers_are_told(
    tmp_path: Path, command: Command
) -> None:
    """The last of them by its name, which the next seal knows."""
    archive = archive_of(tmp_path, 4)
    for job in ("J-2", "J-3"):
        shutil.rmtree(archive.jobs / job)
    ran = command("jobs", "verify", "--archive", archive.root, "--json")
    (problem,) = ran.document["problems"]
    assert "numbers 2 to 3" in problem["message"]
    assert problem["entry"] == "J-3"


def test_verify_when_the_newest_job_is_gone_then_a_seal_kept_outside_shows_it(
    tmp_path: Path, command: Command
) -> None:
    """The archive alone cannot tell; docs/jobs.md says so."""
    archive = archive_of(tmp_path, 3)
    kept = archive.sealed("J-3").seal
    shutil.rmtree(archive.jobs / "J-3")
    assert problems(command, archive) == set()
    assert problems(command, archive, "--last", kept) == {("removed", None, None)}


def resealed(archive: Archive) -> None:
    """Change a report, and make its seal and all later ones again, as one without a key can."""
    (archive.jobs / "J-1/report.html").write_text("nothing to see")
    previous = None
    for job in ("J-1", "J-2"):
        path = archive.jobs / job / "seal.json"
        seal = json.loads(path.read_text()) | {"key": None, "previous": previous}
        for name in seal["files"]:
            data = (archive.jobs / job / name).read_bytes()
            seal["files"][name] = {"bytes": len(data), "blake3": blake3(data).hexdigest()}
        previous = seal["seal"] = blake3(sealed_text(seal)).hexdigest()
        path.write_text(json.dumps(seal))


def test_verify_when_all_was_sealed_again_then_a_key_or_a_seal_kept_outside_shows_it(
    tmp_path: Path, command: Command
) -> None:
    """The line of docs/jobs.md between keyed and unkeyed seals, both sides of it."""
    plain = archive_of(tmp_path / "plain", 2)
    kept = plain.sealed("J-2").seal
    resealed(plain)
    assert problems(command, plain) == set()
    assert problems(command, plain, "--last", kept) == {("removed", None, None)}
    file = tmp_path / "shop.key"
    keyed = archive_of(tmp_path / "keyed", 2, make_key(file))
    assert problems(command, keyed, "--key", file) == set()
    resealed(keyed)
    assert ("chain", "J-2", "seal.json") in problems(command, keyed, "--key", file)


def test_verify_when_the_key_is_not_at_hand_then_it_is_not_called_whole(
    tmp_path: Path, command: Command
) -> None:
    """A keyed seal proves nothing without its key, nor with another one."""
    archive = archive_of(tmp_path, 1, KEY)
    assert problems(command, archive) == {("unproven", "J-1", "seal.json")}
    make_key(tmp_path / "other.key")
    assert problems(command, archive, "--key", tmp_path / "other.key") == {
        ("unproven", "J-1", "seal.json")
    }


def test_verify_when_a_job_without_a_key_follows_keyed_ones_then_it_is_named(
    tmp_path: Path, command: Command
) -> None:
    """Somebody without the key went on with the chain."""
    key = make_key(tmp_path / "shop.key")
    archive = archive_of(tmp_path, 1, key)
    paths = pair(tmp_path)
    filed(archive, "J-2", paths)
    filed(archive, "J-3", paths, key)
    expected = {("chain", "J-2", "seal.json")}
    assert problems(command, archive, "--key", tmp_path / "shop.key") == expected


@pytest.mark.posix
def test_key_when_made_then_only_its_owner_may_read_it_and_it_is_never_shown(
    tmp_path: Path, command: Command
) -> None:
    """Mode 0600, 32 bytes, another each time, never replaced; others' rights make it unusable."""
    file, other = tmp_path / "keys/shop.key", tmp_path / "other.key"
    ran = command("jobs", "key", "--key", file)
    command("jobs", "key", "--key", other)
    assert ran.code == 0
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    secret = file.read_text().strip()
    assert len(bytes.fromhex(secret)) == 32
    assert secret != other.read_text().strip()
    assert secret not in ran.out + ran.err
    command("jobs", "key", "--key", file).assert_one_sentence(4, "never replaced")
    assert file.read_text().strip() == secret
    archive = archive_of(tmp_path, 1)
    shown = command("jobs", "verify", "--archive", archive.root, "--key", file)
    assert secret not in shown.out + shown.err
    file.chmod(0o640)
    command("jobs", "verify", "--archive", archive.root, "--key", file).assert_one_sentence(
        4, "users other than its owner"
    )


def test_key_when_it_is_the_users_own_then_jobs_are_sealed_with_it(
    tmp_path: Path, command: Command
) -> None:
    """What `jobs key` made is used without being named."""
    assert command("jobs", "key").code == 0
    ran = command("jobs", "add", "J-1", *pair(tmp_path), "--archive", tmp_path / "a")
    assert "Sealed with key" in ran.err
    assert command("jobs", "verify", "--archive", tmp_path / "a").code == 0


def test_delete_when_lawful_then_a_sealed_word_stays_and_all_is_whole(
    tmp_path: Path, command: Command
) -> None:
    """The files go, the job's seal and who, when and why stay; the chain holds."""
    archive = archive_of(tmp_path, 3)
    ran = command(
        "jobs", "delete", "J-2", "--reason", "asked to", "--technician", "Bell",
        "--archive", archive.root,
    )  # fmt: skip
    assert ran.code == 0
    assert {path.name for path in (archive.jobs / "J-2").iterdir()} == {"seal.json"}
    assert problems(command, archive) == set()
    listed = command("jobs", "list", "--archive", archive.root, "--json").document["jobs"]
    assert [row["job"] for row in listed] == ["J-1", "J-3"]
    shown = command("jobs", "show", "J-2", "--archive", archive.root, "--json").document
    (event,) = shown["events"]
    assert (event["event"], event["reason"], event["technician"]) == ("deleted", "asked to", "Bell")
    paths = pair(tmp_path)
    command("jobs", "add", "J-2", *paths, "--archive", archive.root).assert_one_sentence(
        4, "already"
    )


def test_delete_when_something_was_filed_about_the_job_then_that_goes_as_well(
    tmp_path: Path, command: Command
) -> None:
    """A look at the customer's machine, and what a person saw; seals stay, and the chain holds."""
    archive = archive_of(tmp_path, 2)
    look = {"at": 1, "fits": True, "says": "It fits.", "host": "orlas-machine"}
    for job in ("J-1", "J-2"):
        file_running(archive, job, look, None)
        file_event(archive, job, "started", None, reason="seen by Orla")
    command("jobs", "delete", "J-1", "--reason", "asked to", "--archive", archive.root)
    for name in ("J-1", "J-1~running-1", "J-1~started"):
        assert {path.name for path in (archive.jobs / name).iterdir()} == {"seal.json"}
    assert (archive.jobs / "J-2~running-1/running.json").exists()
    assert problems(command, archive) == set()
    (archive.jobs / "J-1~running-1/running.json").write_text("{}")
    left = {("added", "J-1~running-1", "running.json")}
    assert problems(command, archive) == left
    delete_job(archive, "J-1", None, technician=None, reason="asked to")
    assert problems(command, archive) == set()
    for path in (archive.jobs / "J-2~running-1").iterdir():
        if path.name != "seal.json":
            path.unlink()
    assert ("missing", "J-2~running-1", "event.json") in problems(command, archive)


def test_delete_when_files_are_just_removed_then_it_is_named(
    tmp_path: Path, command: Command
) -> None:
    """Without the sealed word, or with one that was forged, nothing was lawfully deleted."""
    archive = archive_of(tmp_path, 2)
    for path in (archive.jobs / "J-1").iterdir():
        if path.name != "seal.json":
            path.unlink()
    assert ("missing", "J-1", "job.json") in problems(command, archive)
    forged = archive.jobs / "J-1~deleted"
    forged.mkdir()
    (forged / "event.json").write_text("{}")
    assert ("unsealed", "J-1~deleted", "seal.json") in problems(command, archive)


@pytest.mark.parametrize("name", ["../jobs/J-1", "../../other", "..", ".", "", "J-1~started"])
def test_delete_when_a_name_leads_elsewhere_then_nothing_is_touched(
    name: str, tmp_path: Path, command: Command
) -> None:
    """A job's name is no path, and what was filed about a job is no job."""
    archive = archive_of(tmp_path, 1)
    file_event(archive, "J-1", "started", None)
    other = tmp_path / "other"
    shutil.copytree(archive.jobs / "J-1", other)
    for words in (("delete", name, "--reason", "x"), ("show", name), ("judge", name)):
        command("jobs", *words, "--archive", archive.root).assert_one_sentence(4, "no job")
    assert {path.name for path in other.iterdir()} == {
        path.name for path in (archive.jobs / "J-1").iterdir()
    }
    assert problems(command, archive) == set()


def test_delete_when_it_was_cut_off_then_it_is_named_and_deleting_again_ends_it(
    tmp_path: Path, command: Command
) -> None:
    """The word is filed first; then the files go."""
    archive = archive_of(tmp_path, 2)
    file_event(archive, "J-1", "deleted", None, reason="asked to")
    (archive.jobs / "J-1" / "job.json").unlink()
    assert ("added", "J-1", "comparison.json") in problems(command, archive)
    delete_job(archive, "J-1", None, technician=None, reason="asked to")
    assert problems(command, archive) == set()


def test_verify_when_something_is_unfinished_then_it_is_named_and_counts_for_nothing(
    tmp_path: Path, command: Command
) -> None:
    """What was being filed when the plug was pulled."""
    archive = archive_of(tmp_path, 1)
    left = archive.unfinished / "J-2.0badcafe"
    left.mkdir()
    with whole_file(left / "job.json") as file:
        file.write(b"{}")
    ran = command("jobs", "verify", "--archive", archive.root, "--json")
    assert ran.code == 0
    assert ran.document["unfinished"] == ["J-2.0badcafe"]
    assert "J-2.0badcafe" in command("jobs", "verify", "--archive", archive.root).out


def test_filing_when_the_newest_seal_was_damaged_then_the_chain_goes_on_behind_it(
    tmp_path: Path, command: Command
) -> None:
    """Put back from a copy, the damaged seal fits, and all is whole."""
    archive = archive_of(tmp_path, 3)
    assert command("jobs", "list", "--archive", archive.root).code == 0
    seal = archive.jobs / "J-3/seal.json"
    whole = seal.read_bytes()
    seal.write_bytes(b"?" * len(whole))
    assert filed(archive, "J-4", pair(tmp_path)).number == 4
    assert ("unsealed", "J-3", "seal.json") in problems(command, archive)
    seal.write_bytes(whole)
    assert problems(command, archive) == set()


@pytest.mark.posix
def test_archive_when_a_job_is_a_link_to_elsewhere_then_it_is_none_and_nothing_there_goes(
    tmp_path: Path, command: Command
) -> None:
    """What lies outside the archive is not proven by it, and not deleted with it."""
    archive = archive_of(tmp_path, 3)
    outside = tmp_path / "outside"
    shutil.move(archive.jobs / "J-2", outside)
    (archive.jobs / "J-2").symlink_to(outside)
    assert ("unsealed", "J-2", "seal.json") in problems(command, archive)
    before = sorted(path.name for path in outside.iterdir())
    ran = command("jobs", "delete", "J-2", "--reason", "asked for", "--archive", archive.root)
    assert ran.code == 4
    assert sorted(path.name for path in outside.iterdir()) == before


@pytest.mark.posix
def test_delete_when_a_deleted_job_is_a_link_by_now_then_nothing_there_goes(
    tmp_path: Path, command: Command
) -> None:
    """Deleting again ends a deletion that was cut off, inside the archive alone."""
    archive = archive_of(tmp_path, 1)
    delete_job(archive, "J-1", None, technician=None, reason="asked for")
    outside = tmp_path / "outside"
    shutil.move(archive.jobs / "J-1", outside)
    (outside / "photos").write_text("the only copy")
    (archive.jobs / "J-1").symlink_to(outside)
    ran = command("jobs", "delete", "J-1", "--reason", "asked for", "--archive", archive.root)
    assert ran.code == 4
    assert "is a link" in ran.err
    assert (outside / "photos").exists()


@pytest.mark.posix
def test_verify_when_a_record_is_a_pipe_or_a_link_then_it_is_named_and_not_waited_for(
    tmp_path: Path, command: Command
) -> None:
    """A pipe that nobody writes to would be waited for without end."""
    archive = archive_of(tmp_path, 2)
    (archive.jobs / "J-1/job.json").unlink()
    os.mkfifo(archive.jobs / "J-1/job.json")
    shutil.move(archive.jobs / "J-2/job.json", tmp_path / "job.json")
    (archive.jobs / "J-2/job.json").symlink_to(tmp_path / "job.json")
    assert problems(command, archive) == {
        ("changed", "J-1", "job.json"),
        ("changed", "J-2", "job.json"),
    }


@pytest.mark.posix
def test_archive_when_a_name_is_no_text_then_the_jobs_are_listed_and_it_is_named(
    tmp_path: Path, command: Command
) -> None:
    """Bytes that are no UTF-8, as an old system or a damaged folder leaves them."""
    archive = archive_of(tmp_path, 1)
    try:
        os.mkdir(os.fsencode(archive.jobs) + b"/\xff\xfe")  # noqa: PTH102 - a name of bytes
    except OSError:
        pytest.skip("this filesystem takes text alone")
    ran = command("jobs", "list", "--archive", archive.root)
    assert (ran.code, "J-1" in ran.out) == (0, True)
    assert ("unsealed", "\udcff\udcfe", "seal.json") in problems(command, archive)
