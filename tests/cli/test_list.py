"""`show --list`: every file of a manifest, as CSV and as checksums that other programs check."""

from __future__ import annotations

import contextlib
import csv
import io
import os
import shutil
import stat
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.manifest.test_blake3 import VECTORS, vector_input
from tests.support.images import run
from verify.manifest.file import open_manifest
from verify.report.file_lists import checksum_line

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command

MIB = 1 << 20

NAMES = (
    b"plain.txt",
    b"-c",
    b"two  spaces  between",
    b" begins with a space",
    b"line\nbreak",
    b"back\\slash",
    b"back\\nslash",
    b"\\first",
    b"ends with a backslash\\",
    b"carriage\rreturn",
    b"tab\tinside",
    "umlaut äöü 文字 \U0001f4be".encode(),
    b"$(touch made-by-a-name)",
    b"`touch made-by-a-name`",
    b"'quoted' \"twice\"",
    b"*",
    b"=1+1",
    b"BLAKE3 (plain.txt) = 00",
)
"""Names that the format, a shell or an option parser might take for something else."""

BEYOND = (b"latin \xe9", b"\xff", "stands for \ufffd".encode())
"""Names of which b3sum's own document says that no line can name them (rules 5 and 7)."""

FORMULAS = ("=", "+", "-", "@")
"""What spreadsheets take for the start of a formula (common practice)."""

SIZES = (MIB, MIB + 1, 3 * MIB + 12_345)
"""Both sides of a piece that is read, and more than two of them."""


@pytest.fixture(scope="module")
def volume(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A folder of hostile names, and the manifest of an ext4 volume made of it."""
    from verify.cli.app import run as drivewitness  # noqa: PLC0415 - as the other command tests

    folder = tmp_path_factory.mktemp("listed")
    files = folder / "files"
    below = files / "a folder\n\\ below"
    below.mkdir(parents=True)
    for number, name in enumerate((*NAMES, *BEYOND)):
        for place in (files, below):
            with open(os.fsencode(place) + b"/" + name, "wb") as file:  # noqa: PTH123 - bytes
                file.write(b"%d" % number * number)
    for case in VECTORS["cases"]:
        (files / f"vector-{case['input_len']}").write_bytes(vector_input(case["input_len"]))
    for size in SIZES:
        (files / f"large-{size}").write_bytes(vector_input(size))
    image = folder / "old.img"
    with image.open("wb") as made:
        made.truncate(32 * MIB)
    run("mkfs.ext4", "-q", "-F", "-d", files, image)
    shutil.rmtree(files / "lost+found", ignore_errors=True)
    manifest = folder / "old.manifest"
    assert drivewitness(["capture", str(image), "-o", str(manifest), "--depth", "full"]) == 0
    return files, manifest


def b3sum_check(sums: Path, folder: Path) -> subprocess.CompletedProcess[bytes]:
    """Let b3sum check a list in a folder."""
    return subprocess.run(
        ["b3sum", "--check", str(sums)], cwd=folder, capture_output=True, check=False
    )


@pytest.mark.tools("b3sum", "mkfs.ext4")
def test_checksums_when_given_to_b3sum_then_it_finds_every_file_whole(
    volume: tuple[Path, Path], command: Command, tmp_path: Path
) -> None:
    """Debian's b3sum reads each name as it is and computes each digest itself."""
    files, manifest = volume
    ran = command("show", manifest, "--names", "--list", tmp_path / "all.b3")
    assert ran.code == 0
    sums = tmp_path / "all-partition-0.b3"
    assert [item.name for item in tmp_path.iterdir()] == [sums.name]
    assert stat.S_IMODE(sums.stat().st_mode) == 0o600
    lines = sums.read_bytes().split(b"\n")[:-1]
    there = sum(len(names) for _, _, names in os.walk(files))
    assert len(lines) == there - 2 * len(BEYOND)
    assert f"the checksums of {len(lines)} files of partition 0" in ran.err
    assert f"{2 * len(BEYOND)} files have names that b3sum cannot take" in ran.err
    checked = b3sum_check(sums, files)
    assert checked.returncode == 0, checked.stderr
    assert checked.stdout.count(b": OK") == len(lines)
    assert not list(files.rglob("made-by-a-name"))


@pytest.mark.tools("b3sum", "mkfs.ext4")
def test_checksums_when_one_byte_changed_then_b3sum_names_that_file_alone(
    volume: tuple[Path, Path], command: Command, tmp_path: Path
) -> None:
    """The list is worth something: one byte in the middle of a large file, one name hostile."""
    files, manifest = volume
    assert command("show", manifest, "--names", "--list", tmp_path / "all.b3").code == 0
    changed = tmp_path / "changed"
    shutil.copytree(files, changed)
    for name in (f"large-{SIZES[2]}", "line\nbreak"):
        data = bytearray((changed / name).read_bytes())
        data[len(data) // 2] ^= 1
        (changed / name).write_bytes(data)
    checked = b3sum_check(tmp_path / "all-partition-0.b3", changed)
    assert checked.returncode == 1
    failed = {line for line in checked.stdout.splitlines() if b"FAILED" in line}
    assert failed == {b"./large-%d: FAILED" % SIZES[2], b"\\./line\\nbreak: FAILED"}


@pytest.mark.tools("mkfs.ext4")
def test_manifest_when_files_are_published_inputs_then_it_has_the_published_digests(
    volume: tuple[Path, Path],
) -> None:
    """From the bytes on a volume to a row: BLAKE3's own test vectors."""
    digests = {entry.path: entry.digest for entry in open_manifest(volume[1]).entries(0)}
    for case in VECTORS["cases"]:
        assert digests[f"/vector-{case['input_len']}"] == case["hash"]


@pytest.mark.tools("b3sum")
def test_line_when_made_then_it_is_what_b3sum_itself_writes(tmp_path: Path) -> None:
    """For names that every version of b3sum writes alike, byte for byte."""
    names = [name for name in NAMES if not name.startswith((b"-", b"*"))]
    for name in names:
        (tmp_path / os.fsdecode(name)).write_bytes(b"content")
    written = subprocess.run(
        [b"b3sum", *(b"./" + name for name in names)],
        cwd=tmp_path,
        capture_output=True,
        check=True,
    ).stdout
    digest = written.split()[0].decode().lstrip("\\")
    assert written == b"".join(checksum_line(digest, "/" + name.decode()) or b"" for name in names)


def test_line_when_a_name_ends_with_a_carriage_return_then_it_is_escaped() -> None:
    r"""From 1.5.5 on b3sum cuts a bare one off, and `\r` names it (b3sum/src/main.rs)."""
    assert checksum_line("00", "/a\rb\r\r") == b"\\00  ./a\rb\\r\\r\n"


@pytest.mark.parametrize("name", [os.fsdecode(name) for name in BEYOND] + ["\ud800", "a\udfffb"])
def test_line_when_no_line_can_name_a_path_then_there_is_none(name: str) -> None:
    """A name that is not valid UTF-8, or contains the replacement character."""
    assert checksum_line("00", f"/{name}") is None


@pytest.mark.tools("mkfs.ext4")
def test_csv_when_written_then_it_holds_every_name_and_no_formula(
    volume: tuple[Path, Path], command: Command, tmp_path: Path
) -> None:
    """A row each for what the folder holds, made harmless as findings are."""
    files, manifest = volume
    ran = command("show", manifest, "--names", "--list", tmp_path / "all.csv")
    assert ran.code == 0
    text = (tmp_path / "all.csv").read_bytes().decode("utf-8")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    paths = {row["path"] for row in rows}
    there = sum(len(folders) + len(names) for _, folders, names in os.walk(files))
    assert len(rows) == there + 1  # and lost+found
    assert text.count("\r\n") == len(rows) + 1
    assert "/line\\nbreak" in paths
    assert "/latin \\xe9" in paths
    assert not [cell for row in rows for cell in row.values() if cell.startswith(FORMULAS)]
    row = next(row for row in rows if row["path"] == "/vector-1024")
    assert (row["kind"], row["bytes"], row["read"]) == ("file", "1024", "full")
    assert row["blake3"] == next(c["hash"] for c in VECTORS["cases"] if c["input_len"] == 1024)


def test_checksums_when_only_a_sample_was_read_then_what_is_left_out_is_counted(
    manifest: Path, command: Command, tmp_path: Path
) -> None:
    """The list never passes for one of all files."""
    entries = [item for item in open_manifest(manifest).entries(3) if item.kind == "file"]
    unread = sum(item.digest is None for item in entries)
    ran = command("show", manifest, "--names", "--list", tmp_path / "all.b3")
    assert ran.code == 0
    listed = (tmp_path / "all-partition-3.b3").read_bytes().count(b"\n")
    assert listed == len(entries) - unread
    if unread:
        assert "not read whole" in ran.err


@pytest.mark.parametrize(
    ("asked", "code", "word"),
    [
        ("--list all.csv", 2, "--names"),
        ("--list all.txt --names", 2, ".b3"),
        ("--list all.csv --list all.csv --names", 2, "twice"),
        ("--list there.csv --names", 2, "already exists"),
        ("--list none/all.csv --names", 4, "no such folder"),
    ],
)
def test_list_when_it_may_not_be_written_then_it_is_refused(
    asked: str, code: int, word: str, manifest: Path, command: Command
) -> None:
    """Before anything is shown: the shop's edition alone, a known ending, a new file."""
    there = manifest.with_name("there.csv")
    there.write_bytes(b"kept")
    before = sorted(manifest.parent.iterdir())
    with contextlib.chdir(manifest.parent):
        ran = command("show", manifest, *asked.split())
    ran.assert_one_sentence(code, word)
    assert sorted(manifest.parent.iterdir()) == before
    assert there.read_bytes() == b"kept"


def test_list_when_a_partitions_list_is_there_then_nothing_is_written(
    manifest: Path, command: Command, tmp_path: Path
) -> None:
    """Not even the list that was asked for before it."""
    (tmp_path / "all-partition-3.b3").write_bytes(b"kept")
    asked = ("--list", tmp_path / "all.csv", "--list", tmp_path / "all.b3")
    ran = command("show", manifest, "--names", *asked)
    ran.assert_one_sentence(2, "all-partition-3.b3: already exists")
    assert [item.name for item in tmp_path.iterdir()] == ["all-partition-3.b3"]


def test_list_when_a_drive_is_given_then_it_says_to_capture_first(
    drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """Of a drive that is merely shown no contents were read."""
    ran = command("show", drives["old"], "--names", "--list", tmp_path / "all.b3")
    ran.assert_one_sentence(2, "not a manifest", "capture")
