"""What the demo says to do about its third pair, done: the clone is sound afterwards."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from fixtures.build import SECTOR, mounted, old_layout
from fixtures.running import six_files
from tests.conftest import REPOSITORY
from verify.cli.demo import PAIRS
from verify.cli.demo_images import unpack

if TYPE_CHECKING:
    from pathlib import Path

SYSTEM = old_layout().system


def commands() -> tuple[list[str], list[str]]:
    """Return both commands as the demo prints them."""
    check, copy = (shlex.split(line) for line in PAIRS[-1].commands)
    assert (check[0], copy[0]) == ("drivewitness", "rsync")
    return check[1:], copy


def run_check(*arguments: str, folder: Path) -> int:
    """Run the command in a folder, and return its exit."""
    command = [sys.executable, "-m", "verify", *arguments, "--scratch", str(folder)]
    where = {**os.environ, "PYTHONPATH": str(REPOSITORY)}
    return subprocess.run(
        command, cwd=folder, env=where, capture_output=True, check=False
    ).returncode


@pytest.mark.tools("ntfs-3g", "rsync")
def test_demo_when_its_commands_are_followed_then_the_clone_is_sound(tmp_path: Path) -> None:
    """Oracle: rsync and ntfs-3g, which know nothing of the program; exits of the contract."""
    drives = {"OLD": unpack("busy", tmp_path), "NEW": unpack("snapshot", tmp_path)}
    check, copy = commands()
    check = [str(drives.get(word, word)) for word in check]
    assert run_check(*check, folder=tmp_path) == 1
    listed = (tmp_path / "copy-partition-3.paths0").read_bytes().split(b"\0")
    assert {name.decode() for name in listed if name} == {f"./{path}" for path in six_files()}
    volumes = {}
    for side, drive in drives.items():
        volumes[side] = tmp_path / f"{side}.volume"
        with drive.open("rb") as file:
            file.seek(SYSTEM.offset)
            volumes[side].write_bytes(file.read(SYSTEM.sectors * SECTOR))
    with mounted(volumes["OLD"]) as old, mounted(volumes["NEW"]) as new:
        places = {"/mnt/old/": f"{old}/", "/mnt/new/": f"{new}/"}
        subprocess.run([places.get(word, word) for word in copy], cwd=tmp_path, check=True)
    with drives["NEW"].open("r+b") as file:
        file.seek(SYSTEM.offset)
        file.write(volumes["NEW"].read_bytes())
    assert run_check("check", str(drives["OLD"]), str(drives["NEW"]), folder=tmp_path) == 0
