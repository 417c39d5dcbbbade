"""What stands where a result goes stays, unless it may be replaced; no link decides where it goes.

Links, second names and filesystems are the system's own (symlink(7), link(2), mount(8)).
"""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.archive.small import archive_of, compared, filed, pair
from verify.archive.archive import make_archive, open_archive
from verify.errors import OutputError
from verify.manifest.file import open_manifest, write_manifest
from verify.report.json_text import document_json
from verify.whole_file import make_folder, private_file, whole_file

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.cli.command import Command


@pytest.fixture
def other_filesystem(tmp_path: Path) -> Iterator[Path]:
    """A folder on a filesystem of its own."""
    folder = tmp_path / "other"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64m", "none", folder], check=True)
    try:
        yield folder
    finally:
        subprocess.run(["umount", folder], check=True)


@pytest.mark.root
@pytest.mark.tools("mount", "umount")
def test_capture_when_it_replaces_through_a_link_to_another_filesystem_then_it_does(
    other_filesystem: Path, drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """The manifest that the link leads to is replaced, and the link stays."""
    real, link = other_filesystem / "real.manifest", tmp_path / "link.manifest"
    arguments = ["capture", drives["old"], "--depth", "layout", "-o"]
    assert command(*arguments, real, "--seed", "01").code == 0
    link.symlink_to(real)
    assert command(*arguments, link, "--seed", "02", "--replace").code == 0
    assert link.is_symlink()
    assert open_manifest(real).header.capture.seed == "02"
    assert sorted(path.name for path in other_filesystem.iterdir()) == ["real.manifest"]


def test_report_when_it_replaces_through_a_link_then_the_link_stays(
    command: Command, tmp_path: Path
) -> None:
    """The same for a report, and the format is that of what is written."""
    saved = tmp_path / "saved.json"
    saved.write_text(document_json(compared(pair(tmp_path))))
    (tmp_path / "there").mkdir()
    real, link = tmp_path / "there" / "real.html", tmp_path / "link.html"
    assert command("report", saved, "-o", real).code == 0
    before = real.stat().st_ino
    link.symlink_to(real)
    assert command("report", saved, "-o", link, "--replace").code == 0
    assert link.is_symlink()
    assert real.stat().st_ino != before


@pytest.mark.parametrize("sort", ["file", "link", "dangling link"])
def test_capture_when_a_file_appears_at_its_output_then_it_stays(
    sort: str,
    drives: dict[str, Path],
    command: Command,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Hours of reading are not lost either: the manifest is kept under the next name."""
    file, elsewhere = tmp_path / "old.manifest", tmp_path / "elsewhere"

    def appear_and_write(*arguments: object, **words: object) -> None:
        if sort == "file":
            file.write_bytes(b"another's")
        else:
            file.symlink_to(elsewhere)
            if sort == "link":
                elsewhere.write_bytes(b"another's")
        write_manifest(*arguments, **words)  # type: ignore[arg-type]

    monkeypatch.setattr("verify.capture.drive_capture.write_manifest", appear_and_write)
    ran = command("capture", drives["old"], "-o", file, "--depth", "layout")
    ran.assert_one_sentence(4, "appeared", "old-2.manifest")
    if sort != "dangling link":
        assert file.read_bytes() == b"another's"
    assert elsewhere.exists() == (sort == "link")
    assert open_manifest(tmp_path / "old-2.manifest").header.depth == "layout"
    left = {"old.manifest", "old-2.manifest"} | ({"elsewhere"} if sort == "link" else set())
    assert {path.name for path in tmp_path.iterdir()} == left


def test_file_when_replace_is_asked_for_then_what_appeared_is_replaced(tmp_path: Path) -> None:
    """That is what it says."""
    file = tmp_path / "report.html"
    with whole_file(file, replace=True) as out:
        file.write_bytes(b"old")
        out.write(b"new")
    assert file.read_bytes() == b"new"
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]


@pytest.mark.parametrize("number", [errno.EPERM, errno.EOPNOTSUPP])
def test_file_when_its_filesystem_knows_no_second_names_then_nothing_is_overwritten(
    number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a FAT stick the result comes to be all the same (link(2): EPERM, or EOPNOTSUPP)."""

    def refuse(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "link", refuse)
    file = tmp_path / "free.html"
    with whole_file(file) as out:
        out.write(b"new")
    assert file.read_bytes() == b"new"
    with pytest.raises(OutputError, match=r"free-2\.html"), whole_file(file) as out:
        out.write(b"newer")
    assert file.read_bytes() == b"new"
    assert (tmp_path / "free-2.html").read_bytes() == b"newer"
    assert len(list(tmp_path.iterdir())) == 2


@pytest.mark.parametrize("number", [errno.EPERM, errno.EOPNOTSUPP])
def test_file_when_its_filesystem_keeps_no_modes_then_it_is_written_all_the_same(
    number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Linux's FAT refuses mode 0600 (fs/fat/file.c, fat_sanitize_mode; from memory)."""

    def refuse(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    for name in ("fchmod", "fchown", "link"):
        monkeypatch.setattr(os, name, refuse)
    monkeypatch.setenv("SUDO_UID", str(tmp_path.stat().st_uid or 61_234))
    monkeypatch.setenv("SUDO_GID", "61234")
    if os.geteuid() == 0:
        os.chown(tmp_path, 61_234, 61_234)
    with whole_file(tmp_path / "file") as out:
        out.write(b"new")
    make_folder(tmp_path / "some" / "folder")
    os.close(private_file(tmp_path / "some" / "lock"))
    assert (tmp_path / "file").read_bytes() == b"new"
    assert (tmp_path / "some" / "lock").exists()


@pytest.mark.parametrize("name", ["lock", "unfinished", "jobs"])
def test_archive_when_a_part_of_it_is_a_link_then_nothing_is_written_through_it(
    name: str, command: Command, tmp_path: Path
) -> None:
    """An archive lies where others may put a link: what it leads to is no part of it."""
    archive = archive_of(tmp_path, 1)
    elsewhere = tmp_path / "elsewhere"
    if name == "lock":
        (archive.root / name).unlink()
        (archive.root / name).symlink_to(elsewhere)
    else:
        shutil.move(archive.root / name, elsewhere)
        (archive.root / name).symlink_to(elsewhere)
    before = elsewhere.exists() and sorted(elsewhere.rglob("*"))
    ran = command("jobs", "add", "J-9", *pair(tmp_path), "--archive", archive.root)
    assert ran.code == 4
    assert "link to another place" in ran.err
    deleted = command("jobs", "delete", "J-1", "--reason", "asked", "--archive", archive.root)
    assert deleted.code == 4
    assert before == (elsewhere.exists() and sorted(elsewhere.rglob("*")))


@pytest.mark.parametrize("name", ["jobs", "unfinished"])
def test_archive_when_it_is_made_over_links_then_it_is_refused(name: str, tmp_path: Path) -> None:
    """A new archive, too."""
    (tmp_path / "elsewhere").mkdir()
    (root := tmp_path / "archive").mkdir()
    (root / name).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OutputError, match="link to another place"):
        make_archive(root)


def test_index_when_it_is_a_link_then_no_index_is_written_where_it_leads(
    command: Command, tmp_path: Path
) -> None:
    """SQLite would follow it, and take an empty file for a new database."""
    archive = archive_of(tmp_path, 2)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.write_bytes(b"")
    (archive.root / "index.sqlite").unlink()
    (archive.root / "index.sqlite").symlink_to(elsewhere)
    ran = command("jobs", "list", "--archive", archive.root)
    assert "J-1" in ran.out
    assert elsewhere.read_bytes() == b""


@pytest.mark.parametrize("sort", ["folder", "checkpoint", "second name"])
def test_resume_when_what_was_left_is_a_link_then_it_is_not_followed(
    sort: str, drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """`FILE.unfinished` lies where others may write: nothing is written through a link in it."""
    unfinished, elsewhere = tmp_path / "old.manifest.unfinished", tmp_path / "elsewhere"
    arguments = ["capture", drives["old"], "-o", tmp_path / "old.manifest"]
    if sort == "folder":
        elsewhere.mkdir()
        unfinished.symlink_to(elsewhere)
    else:
        elsewhere.write_bytes(b"precious")
        unfinished.mkdir()
        for number in range(1, 9):
            for ending in ("files", "blocks"):
                place = unfinished / f"partition-{number}.{ending}"
                if sort == "checkpoint":
                    place.symlink_to(elsewhere)
                else:
                    os.link(elsewhere, place)
    ran = command(*arguments, "--depth", "full", "--resume")
    if sort == "folder":
        ran.assert_one_sentence(4, "link to another place")
        assert not list(elsewhere.iterdir())
    else:
        assert elsewhere.read_bytes() == b"precious"


@pytest.mark.root
def test_resume_when_what_was_left_is_another_users_then_it_is_refused(
    drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """Who made the folder could have put anything in it."""
    unfinished = tmp_path / "old.manifest.unfinished"
    unfinished.mkdir()
    os.chown(unfinished, 61_234, 61_234)
    arguments = ["-o", tmp_path / "old.manifest", "--depth", "full", "--resume"]
    ran = command("capture", drives["old"], *arguments)
    ran.assert_one_sentence(4, "another user")
    assert not list(unfinished.iterdir())


def test_output_when_it_lies_in_an_archive_then_it_is_refused_and_the_seals_hold(
    drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """A file added to a job breaks its seal, whichever command writes it, by a link as well."""
    archive = archive_of(tmp_path, 1)
    job = archive.jobs / "J-1"
    link, copy = tmp_path / "link", tmp_path / "copy"
    link.symlink_to(job)
    shutil.copytree(job, copy)
    there = ("--archive", archive.root)
    old, new = pair(tmp_path)
    ways = [
        ("report", "J-1", *there, "-o", job / "again.html"),
        ("report", job, "-o", link / "again.html"),
        ("report", copy, "-o", copy / "again.html"),
        ("compare", old, new, "--report", archive.jobs / "again.html"),
        ("check", drives["old"], drives["sound"], "--keep", archive.jobs / "J-2"),
        ("check", drives["old"], drives["sound"], "--scratch", archive.unfinished),
        ("capture", drives["old"], "-o", job / "again.manifest"),
        ("fit", old, "--onto", "500 GB", "-o", job / "new.fit"),
        ("jobs", "export", *there, "-o", job / "all.jsonl"),
        ("jobs", "export", *there, "--parquet", archive.jobs / "tables"),
        ("audit", "plan", *there, "-o", archive.unfinished / "a.plan"),
    ]
    for way in ways:
        command(*way).assert_one_sentence(2, "whose jobs are sealed")
    assert command("jobs", "verify", *there).code == 0
    assert sorted(path.name for path in copy.iterdir()) == sorted(
        path.name for path in job.iterdir()
    )


def test_output_when_its_folder_is_missing_then_exit_4(
    drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """README: 4 is an output that cannot be used, 2 a command that was called wrongly."""
    none = tmp_path / "none"
    (file := tmp_path / "file").write_text("x")
    old, new = pair(tmp_path)
    for way in (
        ("capture", drives["old"], "-o", none / "m"),
        ("compare", old, new, "--report", none / "r.html"),
        ("fit", old, "--onto", "500 GB", "-o", none / "f"),
        ("check", drives["old"], drives["sound"], "--scratch", none),
        ("check", drives["old"], drives["sound"], "--keep", file / "kept"),
    ):
        ran = command(*way)
        ran.assert_one_sentence(4)
    assert filed(open_archive(archive_of(tmp_path, 1).root), "J-2", pair(tmp_path)).number == 2
