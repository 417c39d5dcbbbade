"""Make the self-contained folder for Windows, under wine.

    WINEPREFIX=PREFIX python .ci/bundle/windows.py FOLDER

PREFIX was made by `.ci/wine/make_prefix.py`; PyInstaller and the program are added to its Python.
Both come by pip from here; `make.py` then runs in PREFIX.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parents[2]

MAKER = ("pyinstaller==6.22.3", "pefile", "pywin32-ctypes")
"""pip takes the markers of where it runs, so what PyInstaller needs on Windows alone is named."""


def main(folder: Path) -> None:
    """Fill the prefix and make the folder."""
    packages = Path(os.environ["WINEPREFIX"]) / "drive_c/python/Lib/site-packages"
    pip = (sys.executable, "-m", "pip")
    asked = ("--platform=win_amd64", "--python-version=3.11", "--only-binary=:all:")
    with tempfile.TemporaryDirectory() as made:
        _run(*pip, "download", "-q", "-d", made, *asked, *MAKER)
        _run(*pip, "wheel", "-q", "--no-deps", "-w", made, CHECKOUT)
        for wheel in sorted(Path(made).glob("*.whl")):
            with zipfile.ZipFile(wheel) as files:
                files.extractall(packages)
    _run(CHECKOUT / ".ci/wine/python", CHECKOUT / ".ci/bundle/make.py", folder.resolve())


def _run(*command: str | Path) -> None:
    subprocess.run(command, check=True, stdin=subprocess.DEVNULL)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
