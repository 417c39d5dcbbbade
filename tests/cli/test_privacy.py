"""What is written tells of customers: its owner's alone, and the user's own under sudo.

Modes and owners are the system's answers (stat(2)); SUDO_UID and SUDO_GID as sudo(8) sets them.
"""

from __future__ import annotations

import contextlib
import os
import stat
import sys
import tempfile
import traceback
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.archive.small import archive_of, compared, filed, pair
from verify.archive.archive import open_archive
from verify.report.formats import TEXT_ENDINGS
from verify.report.json_text import document_json
from verify.whole_file import make_folder, whole_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tests.cli.command import Command

USER, GROUP, OTHER = 61_234, 61_235, 61_236
"""Accounts that nobody has."""


@contextlib.contextmanager
def umask(mask: int) -> Iterator[None]:
    """Set the umask of this process for a while."""
    before = os.umask(mask)
    try:
        yield
    finally:
        os.umask(before)


def modes(folder: Path) -> dict[str, int]:
    """Return the mode of a folder and of all in it, by their paths."""
    places = [folder, *folder.rglob("*")]
    return {
        place.relative_to(folder).as_posix(): stat.S_IMODE(place.lstat().st_mode)
        for place in places
    }


def owners(folder: Path) -> set[tuple[int, int]]:
    """Return who owns a folder and all in it, as user and group."""
    return {(place.lstat().st_uid, place.lstat().st_gid) for place in [folder, *folder.rglob("*")]}


def as_account(user: int, group: int, work: Callable[[], object]) -> int:
    """Do a work in a process of another account; return its exit code.

    A copy of this process, since not every account may run this interpreter.
    """
    child = os.fork()
    if not child:
        try:
            os.umask(0o077)
            os.setgroups([])
            os.setgid(group)
            os.setuid(user)
            work()
            os._exit(0)
        except BaseException:  # noqa: BLE001 - whatever it is must not run on as pytest
            traceback.print_exc(file=sys.stderr)
            os._exit(1)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that every account can reach: pytest's own are its user's alone."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        yield Path(folder)


def write_everything(folder: Path, drives: dict[str, Path], command: Command) -> None:
    """Write every sort of file that there is, below a folder."""
    old, new = pair(folder)
    comparison = folder / "comparison.json"
    comparison.write_text(document_json(compared((old, new))))
    for path in (old, new, comparison):
        path.chmod(0o600)
    made = folder / "made"
    make_folder(made)
    both = (drives["old"], drives["old"], "--depth", "layout")
    reports = [("--report", made / f"r{ending}") for ending in TEXT_ENDINGS]
    archive = ("--archive", made / "archive")
    assert command("capture", drives["old"], "-o", made / "old.manifest").code == 0
    command("check", *both, "--keep", made / "kept" / "here", *sum(reports, ()))
    command("compare", old, new, "--report", made / "c.html")
    command("report", comparison, "-o", made / "again.md")
    command("fit", made / "old.manifest", "--onto", "500 GB", "-o", made / "job.fit")
    command("jobs", "add", "J-1", old, new, *archive)
    command("jobs", "started", "J-1", *archive)
    command("jobs", "list", *archive)
    command("jobs", "export", *archive, "-o", made / "all.jsonl", "--parquet", made / "tables")
    command("audit", "plan", *archive, "-o", made / "a.plan")
    command("audit", "run", made / "a.plan", *archive, "-o", made / "a.result")
    command("audit", "report", made / "a.result", "-o", made / "a.html")
    command("jobs", "key", "--key", made / "keys" / "seal.key")
    wanted = {
        *("old.manifest", "kept", "r.html", "r.csv", "c.html", "again.md", "job.fit", "archive"),
        *("all.jsonl", "tables", "a.plan", "a.result", "a.html", "keys"),
    }
    assert wanted <= {path.name for path in made.iterdir()}


@pytest.mark.parametrize("mask", [0o000, 0o022, 0o077])
def test_files_when_written_then_they_are_their_owners_alone_whatever_the_umask(
    mask: int, drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """0600 and 0700: manifests, reports, comparisons, fits, audits, exports, the archive."""
    with umask(mask):
        write_everything(tmp_path, drives, command)
    made = tmp_path / "made"
    wrong = {
        name: oct(mode)
        for name, mode in modes(made).items()
        if mode != (0o700 if (made / name).is_dir() else 0o600)
    }
    assert not wrong


def test_unfinished_capture_when_it_is_written_then_it_is_its_owners_alone(
    drives: dict[str, Path], tmp_path: Path
) -> None:
    """What was read so far lies beside the manifest, in a folder and in files of its own."""
    from verify.capture.checkpoint import Checkpoint  # noqa: PLC0415
    from verify.capture.resume import Unfinished  # noqa: PLC0415

    unfinished = Unfinished.beside(tmp_path / "old.manifest")
    with umask(0):
        unfinished.hold({"serial": "1"} | dict.fromkeys(["schema", "drive", "tables"]))
        with Checkpoint(Path(unfinished.checkpoint(1, raw=True)), "here") as checkpoint:
            checkpoint.note(1, b"00")
    assert modes(unfinished.path) == {".": 0o700, "drive.json": 0o600, "partition-1.blocks": 0o600}
    assert drives


def test_archive_when_it_is_shared_then_its_group_gets_it_now_and_from_then_on(
    tmp_path: Path, command: Command
) -> None:
    """Said once: what is there, and what another run files, is 0660 and 2770."""
    archive = archive_of(tmp_path, 2)
    assert set(modes(archive.root).values()) == {0o600, 0o700}
    with umask(0o077):
        assert command("jobs", "share", "--archive", archive.root).code == 0
        filed(open_archive(archive.root), "J-3", pair(tmp_path))
        old, new = pair(tmp_path)
        command("jobs", "add", "J-4", old, new, "--archive", archive.root)
        command("jobs", "started", "J-4", "--archive", archive.root)
        (archive.root / "index.sqlite").unlink()
        command("jobs", "list", "--archive", archive.root)
    found = modes(archive.root)
    assert {found[name] for name in found if (archive.root / name).is_dir()} == {0o2770}
    assert {found[name] for name in found if (archive.root / name).is_file()} == {0o660}
    assert {"jobs/J-4/seal.json", "jobs/J-4~started/seal.json", "index.sqlite"} <= set(found)
    assert command("jobs", "verify", "--archive", archive.root).code == 0
    assert command("jobs", "share", "--off", "--archive", archive.root).code == 0
    assert set(modes(archive.root).values()) == {0o600, 0o700}
    filed(open_archive(archive.root), "J-5", pair(tmp_path))
    assert set(modes(archive.root).values()) == {0o600, 0o700}


@pytest.mark.root
def test_archive_when_it_is_given_to_a_group_then_new_jobs_are_the_groups(
    tmp_path: Path, command: Command
) -> None:
    """Folders hand on their group, whoever files."""
    archive = archive_of(tmp_path, 1)
    ran = command("jobs", "share", "--group", "nobody-has-it", "--archive", archive.root)
    ran.assert_one_sentence(2, "no such group")
    assert command("jobs", "share", "--group", "daemon", "--archive", archive.root).code == 0
    filed(open_archive(archive.root), "J-2", pair(tmp_path))
    import grp  # noqa: PLC0415

    assert owners(archive.root) == {(0, grp.getgrnam("daemon").gr_gid)}


@pytest.mark.root
def test_archive_when_it_is_shared_then_another_account_of_the_group_files_in_it(
    open_folder: Path, command: Command
) -> None:
    """As a process of that account, which owns nothing there."""
    archive = archive_of(open_folder, 1)
    assert command("jobs", "share", "--archive", archive.root).code == 0
    for path in [archive.root, *archive.root.rglob("*")]:
        os.chown(path, -1, GROUP)
        path.chmod(0o2770 if path.is_dir() else 0o660)  # chown(2) clears setgid
    shared, paths = open_archive(archive.root), pair(open_folder)
    for path in paths:
        path.chmod(0o644)
    for job, user in (("J-2", USER), ("J-3", OTHER)):
        assert as_account(user, GROUP, partial(filed, shared, job, paths)) == 0
    assert {path.lstat().st_gid for path in archive.root.rglob("*")} == {GROUP}
    assert command("jobs", "verify", "--archive", archive.root).code == 0


@pytest.fixture
def sudo(monkeypatch: pytest.MonkeyPatch) -> None:
    """Be root for a user, as sudo says it."""
    monkeypatch.setenv("SUDO_UID", str(USER))
    monkeypatch.setenv("SUDO_GID", str(GROUP))


@pytest.mark.root
def test_files_when_written_under_sudo_into_the_users_folder_then_they_are_the_users(
    sudo: None, drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """Every sort of file, and every folder on the way."""
    assert sudo is None
    os.chown(tmp_path, USER, GROUP)
    write_everything(tmp_path, drives, command)
    assert owners(tmp_path / "made") == {(USER, GROUP)}


@pytest.mark.root
@pytest.mark.parametrize("owner", [0, OTHER])
def test_files_when_written_under_sudo_into_another_folder_then_they_stay_roots(
    sudo: None, owner: int, tmp_path: Path
) -> None:
    """Also where the user's own folder has a link to it: the folder itself decides."""
    assert sudo is None
    home, elsewhere = tmp_path / "home", tmp_path / "elsewhere"
    home.mkdir()
    elsewhere.mkdir()
    os.chown(home, USER, GROUP)
    os.chown(elsewhere, owner, owner)
    (home / "link").symlink_to(elsewhere)
    with whole_file(home / "link" / "report.html") as file:
        file.write(b"x")
    make_folder(home / "link" / "new" / "folder")
    assert owners(elsewhere / "report.html") == owners(elsewhere / "new") == {(0, 0)}


@pytest.mark.root
def test_files_when_the_user_put_links_there_then_nothing_they_lead_to_is_given_away(
    sudo: None, tmp_path: Path
) -> None:
    """A link under the very name: it is replaced, or refused; what it leads to stays as it was."""
    assert sudo is None
    home, secret = tmp_path / "home", tmp_path / "secret"
    home.mkdir()
    secret.write_text("root's")
    secret.chmod(0o600)
    os.chown(home, USER, GROUP)
    (home / "report.html").symlink_to(secret)
    with whole_file(home / "report.html", replace=True) as file:
        file.write(b"x")
    assert not (home / "report.html").is_symlink()
    assert secret.read_text() == "root's"
    assert owners(secret) == {(0, 0)}


@pytest.mark.root
@pytest.mark.parametrize("told", ["", "0", "-1", "x", "61234 ", "²", "9" * 30])
def test_files_when_sudo_names_nobody_then_they_stay_roots(
    told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A variable is only a text: what is no account's number changes nothing."""
    monkeypatch.setenv("SUDO_UID", told)
    monkeypatch.setenv("SUDO_GID", told)
    os.chown(tmp_path, USER, GROUP)
    with whole_file(tmp_path / "file") as file:
        file.write(b"x")
    assert owners(tmp_path / "file") == {(0, 0)}


@pytest.mark.root
def test_files_when_sudo_is_only_claimed_by_a_user_then_nothing_is_tried(
    open_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who is not root can give nothing away, and is not stopped by the claim."""
    os.chown(open_folder, USER, GROUP)
    monkeypatch.setenv("SUDO_UID", str(OTHER))
    monkeypatch.setenv("SUDO_GID", "0")

    def write() -> None:
        with whole_file(open_folder / "file") as file:
            file.write(b"x")

    assert as_account(USER, GROUP, write) == 0
    assert owners(open_folder / "file") == {(USER, GROUP)}
