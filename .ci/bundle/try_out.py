"""Try a self-contained folder where there is no Python: the demo, checks, an archive, its start.

    python .ci/bundle/try_out.py FOLDER

FOLDER was made by `make.py` or, for Windows, by `windows.py`; that one runs under wine, in the
prefix of WINEPREFIX, which must have no Python. The folder is copied to a place with spaces and
umlauts in its name, and runs without PATH or any other variable. Exit 0: all is as it should be.
"""

from __future__ import annotations

import lzma
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parents[2]
PLACE = "Prüfstand für Kunden (2)"

CHECKS = {"sound": (0, '"verdict": "sound"'), "faulty": (3, '"verdict": "stop"')}
"""Clones of the demo's old drive (fixtures/demo says what they are): the exit, and the answer."""

STARTS = 5


def main(folder: Path) -> int:
    """Try it; say what went wrong, and how long a start takes."""
    with tempfile.TemporaryDirectory() as made:
        place = Path(made) / PLACE
        shutil.copytree(folder, place / "program")
        (program,) = (place / "program").glob("drivewitness*")
        command = _command(program)
        problems = [] if _ran(command, place, "demo").returncode == 0 else ["the demo fails"]
        old = _unpacked("old", place)
        for name, (code, words) in CHECKS.items():
            new = _unpacked(name, place)
            done = _ran(command, place, "check", old, new, "--depth", "full", "--json")
            if done.returncode != code or words not in done.stdout:
                problems.append(f"check of {name}: exit {done.returncode}, {done.stderr}")
        archive = ("--archive", "archive", "--key", "shop.key")
        for words in (
            ("jobs", "key", "--key", "shop.key"),
            ("jobs", "add", "J-1", old, _unpacked("sound", place), *archive),
            ("jobs", "verify", *archive),
            ("jobs", "list", *archive[:2]),
            ("drives", *archive[:2]),
            ("rules", "drive-pair"),
        ):
            done = _ran(command, place, *words)
            if done.returncode:
                problems.append(f"{' '.join(words)}: exit {done.returncode}, {done.stderr}")
        starts = [_seconds(command, place) for _ in range(STARTS)]
    sys.stderr.writelines(f"{folder}: {problem}\n" for problem in problems)
    sys.stdout.write(f"{folder}: median of {STARTS} starts {statistics.median(starts):.2f} s\n")
    return 1 if problems else 0


def _command(program: Path) -> tuple[str, ...]:
    if program.suffix != ".exe":
        return (str(program),)
    if (Path(os.environ["WINEPREFIX"]) / "drive_c" / "python").exists():
        sys.exit("the prefix has a Python")
    return (shutil.which("wine") or "wine", str(program))


def _ran(
    command: tuple[str, ...], place: Path, *arguments: str
) -> subprocess.CompletedProcess[str]:
    nothing = {"PATH": str(place / "nowhere")}
    # NOTE: wine takes the encoding of file names from the locale.
    of_wine = {"WINEDEBUG": "-all", "LC_ALL": "C.UTF-8"}
    kept = {name: os.environ[name] for name in ("WINEPREFIX", "HOME") if name in os.environ}
    return subprocess.run(
        (*command, *arguments),
        cwd=place,
        env=nothing | (of_wine | kept if len(command) > 1 else {}),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
        check=False,
    )


def _unpacked(name: str, place: Path) -> str:
    packed = CHECKOUT / "fixtures" / "demo" / f"{name}.img.xz"
    image = place / f"{name} Größe.img"
    image.write_bytes(lzma.decompress(packed.read_bytes()))
    return image.name


def _seconds(command: tuple[str, ...], place: Path) -> float:
    began = time.monotonic()
    _ran(command, place, "--version").check_returncode()
    return time.monotonic() - began


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
