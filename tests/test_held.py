"""What a run holds, on each system by what that one has: nobody takes it away, until it is killed.

That locks end with their process: flock(2); Microsoft Learn, "LockFileEx", "CreateMutexW".
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import REPOSITORY
from verify.errors import OutputError
from verify.held import WORKING, WorkingFolder, remove_left_files, remove_left_folders
from verify.platforms.this import PLATFORM
from verify.whole_file import whole_file

NAME = re.compile(re.escape(WORKING) + "[a-z0-9_]{8}")

KILLED = """
import os, sys
from pathlib import Path
from verify.held import WorkingFolder
from verify.whole_file import whole_file
folder = WorkingFolder(sys.argv[1])
(Path(folder.name) / "left").write_bytes(b"")
with whole_file(Path(sys.argv[1]) / "out.bin") as file:
    file.write(b"half")
    os._exit(7)
"""


def names_in(folder: Path) -> list[str]:
    """Return the names in a folder, in order."""
    return sorted(path.name for path in folder.iterdir())


def test_working_folder_when_held_then_no_other_run_takes_it_away(tmp_path: Path) -> None:
    """It goes away with its own run."""
    with WorkingFolder(tmp_path) as name:
        (Path(name) / "file").write_bytes(b"1")
        remove_left_folders(tmp_path, NAME, own=True)
        assert names_in(Path(name)) == ["file"]
    assert names_in(tmp_path) == []


def test_killed_run_when_another_starts_then_what_it_left_goes_away(tmp_path: Path) -> None:
    """A folder with a file in it, and a file under way."""
    killed = subprocess.run(
        [sys.executable, "-c", KILLED, str(tmp_path)],
        check=False,
        cwd=REPOSITORY,
        stdin=subprocess.DEVNULL,
    )
    assert killed.returncode == 7
    assert len(names_in(tmp_path)) == 2
    remove_left_folders(tmp_path, NAME, own=True)
    remove_left_files(tmp_path)
    assert names_in(tmp_path) == []


def test_file_under_way_when_others_look_then_it_stays_and_gets_its_name(tmp_path: Path) -> None:
    """Its bytes are those that were written, line ends included."""
    path = tmp_path / "out.bin"
    with whole_file(path) as file:
        file.write(b"a\nb\r\n")
        remove_left_files(tmp_path)
        assert len(names_in(tmp_path)) == 1
        assert not path.exists()
    assert path.read_bytes() == b"a\nb\r\n"
    with whole_file(path, replace=True) as file:
        file.write(b"second")
    assert path.read_bytes() == b"second"
    assert names_in(tmp_path) == ["out.bin"]


def test_file_when_one_appeared_meanwhile_then_both_stay(tmp_path: Path) -> None:
    """Nothing is lost; the sentence names the new one."""
    path = tmp_path / "out.bin"

    def write() -> None:
        with whole_file(path) as file:
            path.write_bytes(b"theirs")
            file.write(b"ours")

    with pytest.raises(OutputError, match=r"out-2\.bin"):
        write()
    assert path.read_bytes() == b"theirs"
    assert (tmp_path / "out-2.bin").read_bytes() == b"ours"
    assert names_in(tmp_path) == ["out-2.bin", "out.bin"]


@pytest.mark.parametrize("kind", ["file", "folder"])
def test_lock_when_held_then_nobody_else_has_it_until_it_is_let_go(
    kind: str, tmp_path: Path
) -> None:
    """The same place opened again is somebody else; contents can still be read."""
    place = tmp_path / kind
    if kind == "file":
        place.write_bytes(b"contents")
    else:
        place.mkdir()
    first, second = PLATFORM.open_to_look(place), PLATFORM.open_to_look(place)
    assert PLATFORM.lock(first) is True
    assert PLATFORM.lock(second) is False
    if kind == "file":
        assert os.read(second, 8) == b"contents"
    PLATFORM.let_go(first)
    assert PLATFORM.lock(second) is True
    PLATFORM.let_go(second)
