"""Make a folder that holds the program and all that it needs, Python included.

    python .ci/bundle/make.py FOLDER

Run it with a Python in which the program (not an editable install of it) and PyInstaller are
installed. FOLDER is made; it runs on that Python's system (on Linux: with a glibc at least as new
as here), wherever it is copied to, and nothing of it is installed. `.ci/bundle/windows.py` makes
the one for Windows, `.ci/bundle/try_out.py` tries either.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from importlib.metadata import distribution
from pathlib import Path

import verify
from verify.text.language import LANGUAGES

CHECKOUT = Path(__file__).resolve().parents[2]
PROGRAM = "drivewitness"

UNUSED = ("IPython", "pip", "pkg_resources", "pytest", "setuptools", "tkinter")
"""What libraries import where it is there, and nobody here calls."""


def main(folder: Path) -> None:
    """Make the folder."""
    if folder.exists():
        sys.exit(f"{folder} already exists")
    package = Path(verify.__file__).parent
    with tempfile.TemporaryDirectory() as work:
        command = [
            *(sys.executable, "-m", "PyInstaller", "--noconfirm", "--log-level=WARN", "--onedir"),
            *("--name", PROGRAM, "--distpath", f"{work}/dist"),
            *("--workpath", f"{work}/work", "--specpath", work),
            # NOTE: rules and readers are named in tuples, pages and languages are data.
            *("--collect-submodules", "verify", "--collect-data", "verify"),
            # Asked for by a name that is put together: which shell this is.
            *("--collect-submodules", "shellingham"),
            # The licences of all that is in the folder lie in these.
            *("--recursive-copy-metadata", PROGRAM),
            *(word for name in UNUSED for word in ("--exclude-module", name)),
            str(package / "__main__.py"),
        ]
        # NOTE: Python looks for modules where it is started; a checkout lacks the demo's drives.
        subprocess.run(command, check=True, stdin=subprocess.DEVNULL, cwd=work)
        made = Path(work) / "dist" / PROGRAM
        _drop_languages(made)
        for name in ("LICENSE", "README.md"):
            shutil.copy(CHECKOUT / name, made)
        shutil.move(made, folder)
    size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
    version = distribution(PROGRAM).version
    sys.stdout.write(f"{folder}: {PROGRAM} {version}, {size / 1e6:.0f} MB\n")


def _drop_languages(made: Path) -> None:
    """Drop Babel's data for languages that no page is in: 34 MB for what is never asked."""
    kept = {"root", *LANGUAGES}
    for path in made.rglob("babel/locale-data/*.dat"):
        if path.stem.partition("_")[0] not in kept:
            path.unlink()


if __name__ == "__main__":
    main(Path(sys.argv[1]).resolve())
