"""What only a running Windows shows: whole commands of this program, run as a person runs them.

Runs under Wine alone (`ON_WINDOWS` in tests/conftest.py). Sources: Microsoft Learn, "Maximum Path
Length Limitation" (260 characters), "GenerateConsoleCtrlEvent", "HandlerRoutine",
"CREATE_NO_WINDOW", "Security Descriptor String Format"; the exit codes are README's.
"""

from __future__ import annotations

import ctypes
import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import psutil
import pytest

from tests.conftest import REPOSITORY
from verify.cli.demo_images import unpack
from verify.held import WorkingFolder
from verify.platforms.this import PLATFORM

CREATE_NO_WINDOW = 0x08000000
COMMAND = (sys.executable, "-m", "verify")
WAIT_SECONDS = 120

CLOSED = """
import sys, threading, time
import psutil
from verify.__main__ import main
from verify.platforms.windows import console
def close():
    while not psutil.Process().children():
        time.sleep(0.05)
    print(console._handlers[0](2), file=sys.stderr, flush=True)
threading.Thread(target=close, daemon=True).start()
sys.exit(main())
"""
"""Calls the handler that was given to Windows, with CTRL_CLOSE_EVENT, from a thread as Windows has
it."""


@pytest.fixture(scope="module")
def drives(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The demo's old drive and its sound clone."""
    folder = tmp_path_factory.mktemp("drives")
    return unpack("old", folder), unpack("sound", folder)


def ran(*arguments: object) -> subprocess.CompletedProcess[str]:
    """Run the command to its end."""
    return subprocess.run(
        [*COMMAND, *map(str, arguments)],
        check=False,
        cwd=REPOSITORY,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
    )


def who_may_use(path: Path) -> list[str]:
    """Return who is named in the list of a file or folder, as Windows writes it."""
    system: Any = ctypes
    security = system.WinDLL("advapi32", use_last_error=True)
    room, needed, text = ctypes.create_string_buffer(65536), ctypes.c_uint32(), ctypes.c_wchar_p()
    done = security.GetFileSecurityW(str(path), 4, room, 65536, ctypes.byref(needed))
    assert done, system.get_last_error()
    assert security.ConvertSecurityDescriptorToStringSecurityDescriptorW(
        room, 1, 4, ctypes.byref(text), None
    )
    return re.findall(r"\((A;[^)]*)\)", text.value or "")


def test_paths_when_longer_than_260_characters_then_all_is_read_and_written(
    tmp_path: Path, drives: tuple[Path, Path]
) -> None:
    """Images, temporary files, manifests, report, differences and archive.

    The key has a short path: of a long one Wine does not say where an open file lies
    (GetFinalPathNameByHandleW), so that it cannot be made private there.
    """
    place = tmp_path
    while len(str(place)) < 300:
        place /= "a folder with a rather long name, as people give them"
    place.mkdir(parents=True)
    old, new = (place / path.name for path in drives)
    for path, there in zip(drives, (old, new), strict=True):
        os.link(path, there)
    archive = ("--archive", place / "archive", "--key", tmp_path / "shop.key")
    assert ran("jobs", "key", *archive[2:]).returncode == 0
    done = ran(
        *("check", old, new, "--scratch", place, "--keep", place / "kept", *archive),
        *("--report", place / "report.html", "--names"),
        *("--differences", place / "all.csv", "--job", "L-1"),
    )
    assert done.returncode in {0, 1}, done.stderr
    assert "<html" in (place / "report.html").read_text(encoding="utf-8")
    assert (place / "all.csv").stat().st_size > 0
    assert len(list((place / "kept").iterdir())) == 2
    verified = ran("jobs", "verify", *archive)
    assert verified.returncode == 0, verified.stderr
    assert ran("show", old, "--json").returncode == 0
    assert not [path for path in place.iterdir() if "drivewitness-" in path.name]


def test_what_is_written_when_read_back_then_its_list_names_three(
    tmp_path: Path, drives: tuple[Path, Path]
) -> None:
    """Key, archive and its files, a manifest, and a folder for temporary files.

    What is made in such a folder inherits its list (OI, CI), which Wine leaves out.
    """
    allowed = ("SY", "BA", "S-1-5-21-0-0-0-1000")  # the last is Wine's one account
    key, archive, manifest = tmp_path / "shop.key", tmp_path / "archive", tmp_path / "old.manifest"
    assert ran("jobs", "key", "--key", key).returncode == 0
    assert ran("capture", drives[0], "-o", manifest, "--depth", "layout").returncode == 0
    added = ran("jobs", "add", "J-1", manifest, manifest, "--archive", archive, "--key", key)
    assert added.returncode in {0, 1, 3}, added.stderr
    files = [path for path in archive.rglob("*") if path.is_file()]
    assert len(files) > 5
    with WorkingFolder(tmp_path) as name:
        for path in (key, manifest, archive, *archive.rglob("*"), Path(name)):
            flags = "OICI" if path.is_dir() else ""
            assert set(who_may_use(path)) <= {f"A;{flags};FA;;;{one}" for one in allowed}, path
    loose = tmp_path / "loose"
    loose.write_bytes(b"")
    assert not set(who_may_use(loose)) <= {f"A;;FA;;;{one}" for one in allowed}


def test_language_when_windows_is_asked_then_it_is_a_tag() -> None:
    """Two letters, and those of a country (LCIDToLocaleName)."""
    assert re.fullmatch("[a-z]{2}-[A-Z]{2}", PLATFORM.language())


def test_run_when_ctrl_c_is_pressed_then_it_ends_by_130_and_leaves_nothing(
    tmp_path: Path, drives: tuple[Path, Path]
) -> None:
    """In a console, where the keys reach the readers as well."""
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    pressed = subprocess.run(
        [
            *(sys.executable, "tests/machine/windows_console.py", *COMMAND, "check"),
            *(*map(str, drives), "--depth", "full", "--scratch", str(scratch)),
            *("--keep", str(tmp_path / "kept"), "--report", str(tmp_path / "report.html")),
        ],
        check=True,
        cwd=REPOSITORY,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        creationflags=CREATE_NO_WINDOW,
    )
    ended = json.loads(pressed.stdout)
    assert ended["code"] == 130
    assert ended["readers"] > 0
    assert ended["alive"] == 0
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]
    assert list(scratch.iterdir()) == []


def test_console_when_it_is_closed_then_the_run_ends_by_130_and_leaves_nothing(
    tmp_path: Path, drives: tuple[Path, Path]
) -> None:
    """The handler holds Windows off until the run has unwound, and never answers before that."""
    done = subprocess.run(
        [
            *(sys.executable, "-c", CLOSED, "check", *map(str, drives), "--depth", "full"),
            *("--scratch", str(tmp_path), "--report", str(tmp_path / "report.html")),
        ],
        check=False,
        cwd=REPOSITORY,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        timeout=WAIT_SECONDS,
    )
    assert done.returncode == 130, done.stderr
    assert list(tmp_path.iterdir()) == []


def test_run_when_it_is_killed_then_its_readers_end_and_the_next_one_clears_up(
    tmp_path: Path, drives: tuple[Path, Path]
) -> None:
    """TerminateProcess, which asks nobody: the job of the run is closed with it."""
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    words = ["check", *map(str, drives), "--depth", "full", "--scratch", str(scratch)]
    run = subprocess.Popen(
        [*COMMAND, *words, "--report", str(tmp_path / "report.html")],
        cwd=REPOSITORY,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    readers: list[psutil.Process] = []
    until = time.monotonic() + WAIT_SECONDS
    while len(readers) < 2 and run.poll() is None and time.monotonic() < until:
        readers = psutil.Process(run.pid).children()
        time.sleep(0.05)
    assert len(readers) >= 2, "one reader a drive, at the same time"
    run.kill()
    run.wait()
    _, alive = psutil.wait_procs(readers, timeout=10)
    assert alive == []
    assert [path.name for path in tmp_path.iterdir()] == ["scratch"]
    assert list(scratch.iterdir()) != []
    again = ("capture", drives[0], "-o", tmp_path / "old.manifest", "--depth", "layout")
    assert ran(*again, "--scratch", scratch).returncode == 0
    assert list(scratch.iterdir()) == []
