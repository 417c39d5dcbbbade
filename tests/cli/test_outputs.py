"""Where results go: never over a drive, never over what is there already, whole or not at all."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import IO, TYPE_CHECKING

import pytest

from tests.conftest import REPOSITORY

if TYPE_CHECKING:
    from tests.cli.command import Command


def test_capture_when_the_output_is_the_drive_then_it_is_refused(
    drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """By its own name, a second name or a link: with `--replace` as well."""
    drive = tmp_path / "drive.img"
    drive.write_bytes(drives["old"].read_bytes()[: 64 << 20])
    link, second = tmp_path / "link", tmp_path / "second"
    link.symlink_to(drive)
    os.link(drive, second)
    before = drive.stat()
    for output in (drive, link, second):
        ran = command("capture", drive, "-o", output, "--replace")
        ran.assert_one_sentence(2, "one of the inputs")
    after = drive.stat()
    assert (before.st_ino, before.st_mtime_ns) == (after.st_ino, after.st_mtime_ns)


def test_capture_when_the_file_is_there_then_only_replace_replaces_it(
    drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """A manifest is evidence; it is not overwritten by a slip."""
    file = tmp_path / "old.manifest"
    arguments = ["capture", drives["old"], "-o", file, "--depth", "layout"]
    assert command(*arguments, "--seed", "01").code == 0
    command(*arguments).assert_one_sentence(2, "already exists", "--replace")
    assert command("show", file, "--json").document["capture"]["seed"] == "01"
    assert command(*arguments, "--replace", "--seed", "02").code == 0
    assert command("show", file, "--json").document["capture"]["seed"] == "02"


def test_capture_when_replace_names_no_manifest_then_it_stays(
    drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """Drive and output mixed up: the image of another drive is not lost."""
    image = tmp_path / "another.img"
    image.write_bytes(b"precious")
    arguments = ["capture", drives["old"], "-o", image, "--replace"]
    command(*arguments).assert_one_sentence(2, "is not a manifest")
    assert image.read_bytes() == b"precious"


@pytest.mark.parametrize("output", ["/dev/null", "/dev"])
def test_capture_when_the_output_is_no_file_then_it_is_refused(
    output: str, drives: dict[str, Path], command: Command
) -> None:
    """Devices and folders are wrong usage, before anything is read."""
    command("capture", drives["old"], "-o", output, "--replace").assert_one_sentence(2)


@pytest.mark.root
@pytest.mark.tools("losetup")
def test_capture_when_the_output_is_a_block_device_then_it_is_refused(
    drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """The very worst slip: `-o` names a drive."""
    image = tmp_path / "other.img"
    image.write_bytes(bytes(1 << 20))
    answer = subprocess.run(
        ["losetup", "--find", "--show", str(image)], check=True, capture_output=True, text=True
    )
    device = answer.stdout.strip()
    try:
        ran = command("capture", drives["old"], "-o", device, "--replace")
        ran.assert_one_sentence(2, "not an ordinary file")
        command("check", drives["old"], drives["sound"], "--keep", device).assert_one_sentence(2)
    finally:
        subprocess.run(["losetup", "--detach", device], check=True)
    assert image.read_bytes() == bytes(1 << 20)


def test_check_when_keep_is_given_then_both_manifests_stay_and_nothing_is_overwritten(
    drives: dict[str, Path], manifest: Path, command: Command, tmp_path: Path
) -> None:
    """A manifest that was given is kept beside the new one; a second run needs a new folder."""
    folder = tmp_path / "job" / "kept"
    assert command("check", manifest, drives["sound"], "--keep", folder).code == 0
    shown = [command("show", file, "--json") for file in sorted(folder.iterdir())]
    assert [Path(one.document["drive"]["path"]).name for one in shown] == ["old.img", "sound.img"]
    again = command("check", manifest, drives["sound"], "--keep", folder)
    again.assert_one_sentence(2, "is not empty")


def test_check_when_scratch_is_given_then_nothing_stays_in_it(
    drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """Working files go where they are told to, and go away."""
    assert command("check", drives["old"], drives["sound"], "--scratch", tmp_path).code == 0
    assert list(tmp_path.iterdir()) == []
    command(
        "check", drives["old"], drives["sound"], "--scratch", tmp_path / "none"
    ).assert_one_sentence(4, "no such folder")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("arguments", [["rules"], ["rules", "--json"], ["--version"], ["--help"]])
def test_command_when_standard_output_is_full_then_exit_4(arguments: list[str]) -> None:
    """A result that could not be written is a named error (full(4): ENOSPC on every write)."""
    with Path("/dev/full").open("w") as full:
        ran = _run(arguments, full)
    assert ran.returncode == 4
    assert "no space left" in ran.stderr
    assert "Traceback" not in ran.stderr


@pytest.mark.parametrize("arguments", [["rules", "--json"], ["check", "--help"]])
def test_command_when_nobody_reads_its_output_then_it_is_no_verdict(arguments: list[str]) -> None:
    """A pipe that was closed is exit 4: neither 0 nor 1, which say something of drives."""
    reader, writer = os.pipe()
    os.close(reader)
    try:
        ran = _run(arguments, writer)
    finally:
        os.close(writer)
    assert ran.returncode == 4
    assert "Traceback" not in ran.stderr
    assert "Exception ignored" not in ran.stderr


def _run(arguments: list[str], out: IO[str] | int) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "verify", *arguments],
        cwd=REPOSITORY,
        stdout=out,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
        # NOTE: only a buffered output is written once more as the interpreter ends.
        env={key: value for key, value in os.environ.items() if key != "PYTHONUNBUFFERED"},
    )
