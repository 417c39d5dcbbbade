"""Only the program's own code runs: not a file beside the image, not one that PYTHON* names.

Every name of Python's library and of what this program imports stands there as a module that
writes down that it was run (Python's documentation, "sys.path initialization": the folder of `-m`
and `-c` comes first, then PYTHONPATH, then the library; `site` imports sitecustomize).
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from tests.archive.small import archive_of
from tests.conftest import REPOSITORY
from verify.cli.demo_images import unpack
from verify.manifest.file import open_manifest

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

LIBRARIES = {
    *("babel", "blake3", "jinja2", "numpy", "pandas", "psutil", "pyarrow", "pydantic", "pyregf"),
    *("pytsk3", "rich", "typer", "click", "typing_extensions", "weasyprint", "markupsafe"),
    *("sitecustomize", "usercustomize", "verify", "json", "blake3"),
}

SCRIPT = """\
import re
import sys
from verify.__main__ import main
if __name__ == "__main__":
    sys.exit(main())
"""
"""The console script, as pip writes it."""

WAYS = {
    "isolated": ("-I", "-m", "verify"),
    "safe path": ("-P", "-m", "verify"),
    "script": ("{script}",),
    "module": ("-m", "verify"),
}


def poisoned(folder: Path, *but: str) -> Path:
    """Fill a folder with modules that write `ran` beside them, and return that file."""
    mark = folder / "ran"
    for name in (sys.stdlib_module_names | LIBRARIES) - set(but):
        text = f"open({str(mark)!r}, 'a').write({name + chr(10)!r})\n"
        (folder / f"{name}.py").write_text(text)
    return mark


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder of images, in which somebody works."""
    made = tmp_path / "images"
    made.mkdir()
    unpack("old", made)
    return made


def ran(
    way: Sequence[str], arguments: Sequence[object], folder: Path, **variables: str
) -> subprocess.CompletedProcess[str]:
    """Run the command in the folder."""
    script = folder.parent / "drivewitness"
    script.write_text(SCRIPT)
    words = [word.format(script=script) for word in way]
    return subprocess.run(
        [sys.executable, *words, *map(str, arguments)],
        cwd=folder,
        env={**os.environ, **variables},
        capture_output=True,
        text=True,
        check=False,
    )


def early() -> list[str]:
    """Return what `python -m` and the console script import before any line of ours is run."""
    program = "import re, sys, runpy, importlib.util, importlib.machinery; print(*sys.modules)"
    answer = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    return answer.stdout.split()


def assert_all_was_read(folder: Path) -> None:
    """Hold that the readers did run."""
    header = open_manifest(folder / "old.manifest").header
    assert not [item for part in header.partitions for item in part.unread]
    assert any(part.listing for part in header.partitions)


def test_poison_when_python_looks_there_first_then_it_runs(folder: Path) -> None:
    """The mark is a mark: plain Python falls for it."""
    mark = poisoned(folder)
    subprocess.run([sys.executable, "-c", "import json"], cwd=folder, check=False)
    assert "json" in mark.read_text().split()


@pytest.mark.parametrize("way", WAYS)
def test_capture_when_modules_lie_beside_the_image_then_none_is_run(way: str, folder: Path) -> None:
    """The command, its readers and their second processes; plain `-m` runs some of it by itself."""
    mark = poisoned(folder, *(["verify", *early()] if way == "module" else []))
    arguments = ["capture", "old.img", "-o", "old.manifest", "--depth", "full"]
    done = ran(WAYS[way], arguments, folder)
    assert done.returncode == 0, done.stderr
    assert not mark.exists(), mark.read_text()
    assert_all_was_read(folder)


def test_list_when_a_pool_is_started_then_no_module_of_the_folder_is_run(folder: Path) -> None:
    """Many entries are read by spawned processes, which Python starts with `-c`."""
    archive = archive_of(folder.parent, 1)
    for number in range(4_000):
        (archive.jobs / f"X-{number}").mkdir()
    mark = poisoned(folder, "verify", *early())
    for way in ("module", "script"):
        (archive.root / "index.sqlite").unlink(missing_ok=True)
        done = ran(WAYS[way], ["jobs", "list", "--archive", archive.root], folder)
        assert done.returncode == 0, done.stderr
        assert "J-1" in done.stdout
        assert not mark.exists(), mark.read_text()


def test_capture_when_variables_name_a_folder_then_no_module_of_it_is_run(
    folder: Path, tmp_path: Path
) -> None:
    """As README says that it is installed for root: isolated, whatever the environment."""
    mark = poisoned(folder)
    (home := tmp_path / "home").mkdir(exist_ok=True)
    arguments = ["capture", "old.img", "-o", "old.manifest", "--depth", "sample"]
    done = ran(
        WAYS["isolated"],
        arguments,
        folder,
        PYTHONPATH=str(folder),
        PYTHONUSERBASE=str(folder),
        PYTHONPYCACHEPREFIX=str(folder),
        PYTHONWARNINGS="error::json.Mark",
        PYTHONSTARTUP=str(folder / "json.py"),
        HOME=str(home),
    )
    assert done.returncode == 0, done.stderr
    assert not mark.exists(), mark.read_text()
    assert_all_was_read(folder)


@pytest.mark.parametrize("way", ["script", "module"])
def test_capture_when_pythonpath_names_a_folder_then_its_readers_run_none_of_it(
    way: str, folder: Path
) -> None:
    """What was started without `-I` runs what the interpreter ran before it, and no more."""
    mark = poisoned(folder, "sitecustomize", "usercustomize", "verify", *early())
    arguments = ["capture", "old.img", "-o", "old.manifest", "--depth", "sample"]
    done = ran(WAYS[way], arguments, folder, PYTHONPATH=str(folder))
    assert done.returncode == 0, done.stderr
    assert not mark.exists(), mark.read_text()
    assert_all_was_read(folder)


@pytest.mark.parametrize("variable", ["PYTHONPATH", "cwd"])
def test_launcher_of_the_readme_when_modules_lie_about_then_none_is_run(
    variable: str, folder: Path, tmp_path: Path
) -> None:
    """The launcher that README has root install, word for word but for the interpreter's place."""
    readme = (REPOSITORY / "README.md").read_text(encoding="utf-8")
    line = re.search(r"^exec (\S+) (.*)$", readme, re.MULTILINE)
    assert line is not None
    launcher = tmp_path / "launcher"
    launcher.write_text(f"#!/bin/sh\nexec {sys.executable} {line[2]}\n")
    launcher.chmod(0o755)
    mark = poisoned(folder)
    environment = dict(os.environ)
    if variable == "PYTHONPATH":
        environment["PYTHONPATH"] = f"{folder}:"
    done = subprocess.run(
        [launcher, "show", folder / "old.img"],
        cwd=tmp_path if variable == "PYTHONPATH" else folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert not mark.exists(), mark.read_text()


def test_command_when_python_drops_docstrings_then_one_sentence_says_so() -> None:
    """Rules' pages and the help are docstrings, which `-OO` strips (Python: "Command line")."""
    ran = subprocess.run(
        [sys.executable, "-OO", "-m", "verify", "rules"],
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 2
    assert "Traceback" not in ran.stderr
    assert "PYTHONOPTIMIZE" in ran.stderr
