"""Documents that somebody who means harm could write: a result or a named error, and soon.

What is refused and what is not is nobody's matter here: that it ends in an exit code of the
contract (README, "Exit codes") and within seconds is.
"""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
import time
import zlib
from typing import TYPE_CHECKING, Any

import pytest
from blake3 import blake3

from tests.archive.small import archive_of, compared, pair
from tests.conftest import REPOSITORY
from tests.manifest.headers import small_header
from tests.support.mutations import mutations
from verify.capture.checkpoint import Checkpoint
from verify.errors import ManifestAltered, ManifestError
from verify.filesystem.entry import Entry
from verify.manifest.file import open_manifest, write_manifest
from verify.manifest.row import encode_entry

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.cli.command import Command

NAMED = {0, 1, 3, 4}
"""Exit codes of a result or a named error."""

SOON_SECONDS = 20.0
"""Some hundred times what a valid document of that size takes, on a busy machine."""


def packed(lines: list[bytes]) -> bytes:
    """Return a manifest of these lines with a right trailer."""
    trailer = {"trailer": {"rows": len(lines), "blake3": blake3(b"".join(lines)).hexdigest()}}
    end = json.dumps(trailer, separators=(",", ":")).encode() + b"\n"
    return gzip.compress(b"".join([*lines, end]), 1)


def lines_of(manifest: Path) -> list[bytes]:
    """Return a manifest's lines but for its trailer."""
    return gzip.decompress(manifest.read_bytes()).splitlines(keepends=True)[:-1]


def hold(command: Command, texts: Iterator[tuple[str, str]], file: Path, *runs: list[Any]) -> None:
    """Write each text to the file and run each command: every end is one of the contract."""
    cases = 0
    for what, text in texts:
        file.write_bytes(text.encode("utf-8", "surrogatepass"))
        for arguments in runs:
            began = time.monotonic()
            ran = command(*arguments)
            assert ran.code in NAMED, f"{what}: {arguments[0]}: {ran.err}"
            assert "Traceback" not in ran.err
            assert time.monotonic() - began < SOON_SECONDS, what
        cases += 1
    assert cases > 30


def test_manifest_when_its_header_is_hostile_then_every_end_is_named(
    tmp_path: Path, command: Command
) -> None:
    """Shown, compared from either side with a report, and as what a fit is worked out from."""
    old, new = pair(tmp_path)
    first, *rest = lines_of(old)
    report = ("--report", tmp_path / "r.html", "--replace")
    cases = 0
    for what, text in mutations(json.loads(first), 151):
        old.write_bytes(packed([text.encode("utf-8", "surrogatepass") + b"\n", *rest]))
        for arguments in (
            ("show", old),
            ("compare", old, new, *report),
            ("compare", new, old),
            ("fit", old, "--onto", "500GB"),
        ):
            ran = command(*arguments)
            assert ran.code in NAMED, f"{what}: {arguments[0]}: {ran.err}"
        cases += 1
    assert cases > 30


def test_manifest_when_a_row_is_hostile_then_it_is_a_row_or_named(tmp_path: Path) -> None:
    """Every value of an entry with all it can have, exchanged for every token."""
    entry = Entry(
        *("file", "/a", 10, 1, 2, 3, 4, 2),
        extents=[(5, 6)],
        digest="ab" * 32,
        reparse="9000001A",
        owner="1:1",
        attributes=32,
        mode=0o644,
        boot=True,
    )
    entry.blocks, entry.extended = [(0, "cd" * 32)], [("user.x", "ef" * 32)]
    file, rows = tmp_path / "m", tmp_path / "rows"
    rows.write_bytes(encode_entry(entry))
    write_manifest(file, small_header(), {0: rows})
    head, group, row = lines_of(file)
    refused = 0
    for what, text in mutations(json.loads(row)):
        file.write_bytes(packed([head, group, text.encode("utf-8", "surrogatepass") + b"\n"]))
        try:
            for read in open_manifest(file).entries(0):
                encode_entry(read)
        except ManifestError:
            refused += 1
        except Exception as error:  # noqa: BLE001 - the name of what was changed is told
            pytest.fail(f"{what}: {error!r}")
    assert refused > 100


def test_comparison_when_it_is_hostile_then_every_end_is_named(
    tmp_path: Path, command: Command
) -> None:
    """Written in every format; impossible numbers give no report."""
    file = tmp_path / "c.json"
    told = json.loads(compared(pair(tmp_path)).model_dump_json(by_alias=True))
    output = [
        word for end in ("html", "csv", "json", "md") for word in ("-o", tmp_path / f"r.{end}")
    ]
    hold(command, mutations(told, 199), file, ["report", file, *output, "--replace"])


def test_fit_when_it_is_hostile_then_every_end_is_named(tmp_path: Path, command: Command) -> None:
    """A new drive held to it."""
    old, new = pair(tmp_path)
    file = tmp_path / "fit.json"
    assert command("fit", old, "--onto", "2TB", "-o", file).code == 0
    hold(
        command,
        mutations(json.loads(file.read_text()), 17),
        file,
        ["compare", old, new, "--fit", file],
    )


@pytest.mark.parametrize("name", ["job.json", "seal.json", "comparison.json"])
def test_archive_when_a_document_in_it_is_hostile_then_every_end_is_named(
    name: str, tmp_path: Path, command: Command
) -> None:
    """Listed, shown, verified, judged again, drawn from."""
    archive = archive_of(tmp_path, 2)
    file = archive.jobs / "J-1" / name
    at = ["--archive", archive.root]
    runs = [
        ["jobs", "list", *at],
        ["jobs", "show", "J-1", *at],
        ["jobs", "verify", *at],
        ["audit", "plan", *at],
        ["report", "J-1", *at],
    ]
    every = 397 if name == "comparison.json" else 13
    hold(command, mutations(json.loads(file.read_text()), every), file, *runs)


def test_audit_when_its_files_are_hostile_then_every_end_is_named(
    tmp_path: Path, command: Command
) -> None:
    """A plan that is carried out, a result that is reported."""
    archive = archive_of(tmp_path, 3)
    at = ["--archive", archive.root]
    plan, result, new = tmp_path / "plan", tmp_path / "result", tmp_path / "new"
    assert command("audit", "plan", *at, "--by", "technician", "-o", plan).code == 0
    assert command("audit", "run", plan, *at, "-o", result).code == 0
    told = json.loads(result.read_text())
    hold(command, mutations(told, 17), result, ["audit", "report", result])

    def new_each_time() -> Iterator[tuple[str, str]]:
        for case in mutations(json.loads(plan.read_text()), 11):
            new.unlink(missing_ok=True)
            yield case

    hold(command, new_each_time(), plan, ["audit", "run", plan, *at, "-o", new])


def test_capture_when_what_it_goes_on_from_is_hostile_then_it_is_named(
    tmp_path: Path, command: Command
) -> None:
    """The note of the drive, and notes of blocks with a right check digest."""
    image, output = tmp_path / "raw.img", tmp_path / "m"
    image.write_bytes(b"".join(bytes([number]) * (1 << 20) for number in range(1, 5)))
    folder = tmp_path / "m.unfinished"
    state, notes = folder / "drive.json", folder / "partition-0.blocks"
    run = ("capture", image, "-o", output, "--depth", "full", "--resume")
    folder.mkdir()
    for text in ("[" * 100_000, '{"a":' * 100_000, "1" * 5000, "Infinity", "", "[]", '"\\ud800"'):
        state.write_text(text)
        command(*run).assert_one_sentence(4, "cannot be continued")
    for number, note in ((0, b"zz" * 32), (0, b"\xff"), (int("9" * 300), b"ab" * 32), (1, b"{")):
        state.unlink()
        notes.unlink(missing_ok=True)
        with Checkpoint(notes, f"0+{4 << 20}") as checkpoint:
            checkpoint.note(number, note)
        command(*run).assert_one_sentence(4, "cannot be continued")
    assert not output.exists()


@pytest.mark.parametrize("arguments", [["rules"], ["rules", "--json"], ["--version"]])
def test_command_when_standard_output_is_closed_then_exit_4(arguments: list[str]) -> None:
    """As `>&-` starts it: a result that nobody can get is an error, not a fault of ours."""
    ran = subprocess.run(
        ["sh", "-c", '"$@" >&-', "sh", sys.executable, "-m", "verify", *arguments],
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 4
    assert "standard output: could not be written: it is closed." in ran.stderr


def test_command_when_standard_error_is_closed_then_its_exit_code_stands() -> None:
    """As `2>&-` and a terminal that is gone start it; a file opened next is not written into."""
    command = ["sh", "-c", '"$@" 2>&-', "sh", sys.executable, "-m", "verify", "show", "nothing"]
    assert subprocess.run(command, cwd=REPOSITORY, check=False).returncode == 4


def test_manifest_when_a_line_is_long_then_reading_takes_a_time_like_its_length(
    tmp_path: Path,
) -> None:
    """60 MB that do not pack: each byte is gone through a few times, not once a piece."""
    file = tmp_path / "m"
    write_manifest(file, small_header(), {0: None})
    head, group = lines_of(file)
    chance = blake3(b"long").digest(length=30_000_000).hex().encode()
    row = b'{"kind":"file","path":"/' + chance + b'"}\n'
    file.write_bytes(packed([head, group, row]))
    began = time.monotonic()
    assert [len(entry.path) for entry in open_manifest(file).entries(0)] == [60_000_001]
    assert time.monotonic() - began < SOON_SECONDS


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(b"\n", id="line-ends"),
        pytest.param(b"{}\n", id="short-rows"),
        pytest.param(b"x", id="one-line"),
        pytest.param(b'{"block":0,"digest":"' + b"a" * 64 + b'"}\n', id="one-row-again-and-again"),
    ],
)
def test_manifest_when_a_small_file_unpacks_to_gigabytes_then_it_is_refused_soon(
    text: bytes, tmp_path: Path
) -> None:
    """2 GiB in 2 to 7 MB. RFC 1951: after a full flush, the same bytes may come again."""
    file = tmp_path / "m"
    write_manifest(file, small_header(), {0: None})
    pack = zlib.compressobj(9, zlib.DEFLATED, 31)
    begin = pack.compress(b"".join(lines_of(file))) + pack.flush(zlib.Z_FULL_FLUSH)
    size = 32 << 20
    again = pack.compress((text * (size // len(text) + 1))[:size]) + pack.flush(zlib.Z_FULL_FLUSH)
    file.write_bytes(begin + 64 * again)
    assert file.stat().st_size < 8 << 20
    began = time.monotonic()
    with pytest.raises(ManifestAltered):
        open_manifest(file)
    assert time.monotonic() - began < SOON_SECONDS
