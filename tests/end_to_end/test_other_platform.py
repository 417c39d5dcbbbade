"""On a system that nothing is known of: image files are checked, and the rest is refused in words.

The system is simulated on this one: what is not everywhere (library reference, "Availability:
Unix") is taken away before any of the program is imported, in the readers' processes as well. No
other system was tried.
"""

from __future__ import annotations

import json
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from tests.conftest import REPOSITORY
from verify.cli.demo_images import unpack

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

MODULES = ("ctypes", "fcntl", "grp", "psutil", "pwd", "resource")
NAMES = (
    *(
        "pread",
        "preadv",
        "pwrite",
        "major",
        "minor",
        "makedev",
        "fork",
        "fwalk",
        "sched_getaffinity",
    ),
    *("geteuid", "getuid", "getegid", "getgid", "fchmod", "fchown", "chown", "lchown"),
    *("O_NOFOLLOW", "O_NONBLOCK", "O_DIRECTORY", "O_CLOEXEC"),
)

HIDING = f"""
import errno, os, sys, sysconfig
import ctypes, importlib, shutil, subprocess, tempfile  # Python's own use of them stays
sysconfig.get_config_vars()
for name in {NAMES}:
    if hasattr(os, name):
        delattr(os, name)
del errno.EREMOTEIO
for name in {MODULES}:
    sys.modules[name] = None
sys.platform = "other"
"""

RUNNING = f"""{HIDING}
import verify.own_code
verify.own_code._START = {HIDING!r} + verify.own_code._START
from verify.__main__ import main
sys.exit(main())
"""


@pytest.fixture
def other(tmp_path: Path) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Run the command on such a system, with working files apart: it has no locks on them."""
    working = tmp_path / "working"
    working.mkdir()

    def run(*arguments: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", RUNNING, *map(str, arguments)],
            check=False,
            cwd=REPOSITORY,
            capture_output=True,
            text=True,
            env={"HOME": str(tmp_path), "PATH": "/usr/bin:/bin", "TMPDIR": str(working)},
        )

    return run


def judged(text: str) -> dict[str, object]:
    """Return what is the same in two runs on the same drives."""
    document = json.loads(text)
    return {name: document[name] for name in ("verdict", "findings", "outcomes", "evidence")}


@pytest.mark.parametrize("target", ["sound", "faulty"])
def test_check_when_nothing_is_known_of_the_system_then_images_are_judged_alike(
    target: str, other: Callable[..., subprocess.CompletedProcess[str]], tmp_path: Path
) -> None:
    """The demo's drives, in full: the answer is the one that Linux gives."""
    old, new = unpack("old", tmp_path), unpack(target, tmp_path)
    arguments = ("check", old, new, "--depth", "full", "--json")
    there = other(*arguments)
    here = subprocess.run(
        [sys.executable, "-m", "verify", *map(str, arguments)],
        check=False,
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
    )
    assert there.returncode == here.returncode, there.stderr
    assert judged(there.stdout) == judged(here.stdout)


def test_files_when_nothing_is_known_of_the_system_then_they_are_written(
    other: Callable[..., subprocess.CompletedProcess[str]], tmp_path: Path
) -> None:
    """A manifest, and a report of every kind that needs no library."""
    old, new = unpack("old", tmp_path), unpack("sound", tmp_path)
    manifest, report = tmp_path / "old.manifest", tmp_path / "report.html"
    assert other("capture", old, "-o", manifest).returncode == 0
    ran = other("check", manifest, new, "--report", report)
    assert ran.returncode in {0, 1}, ran.stderr
    assert "<html" in report.read_text(encoding="utf-8")


def test_command_when_it_needs_what_the_system_has_not_then_one_sentence_says_so(
    other: Callable[..., subprocess.CompletedProcess[str]], tmp_path: Path
) -> None:
    """Exit 4: a named error, and no traceback."""
    manifest = tmp_path / "old.manifest"
    assert other("capture", unpack("old", tmp_path), "-o", manifest).returncode == 0
    filing = ("jobs", "add", "J-1", manifest, manifest, "--archive", tmp_path / "archive")
    for arguments, words in (
        (("drives",), "it is not supported"),
        (filing, "files cannot be locked there"),
    ):
        ran = other(*arguments)
        assert ran.returncode == 4, ran.stderr
        assert words in ran.stderr
        assert "Traceback" not in ran.stderr
