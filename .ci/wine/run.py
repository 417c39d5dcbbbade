"""Run under wine what a technician does, and hold it against the same done here.

    WINEPREFIX=FOLDER python .ci/wine/run.py

FOLDER was made by make_prefix.py. The demo, two checks, a job that is filed and verified, a report
in every form, and the tests that are marked `portable`. No warning, no skip.
"""

from __future__ import annotations

import json
import lzma
import re
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

CHECKOUT = Path(__file__).resolve().parents[2]
HERE = (sys.executable,)
WINDOWS = (str(CHECKOUT / ".ci" / "wine" / "python"),)

OWN_OF_A_RUN = {"captured", "digest", "ended", "file_id", "name_salt", "started"}
"""Moments, random salts, what is worked out from these, and a file's number, which Windows makes of
other numbers than Linux does. Paths are the same: wine knows Linux's."""

OF_A_FAULT = ("Traceback (most recent", "Unhandled page fault", "Exception ignored", "Warning:")
"""What standard error never holds, whatever the exit code."""

OTHER_NAMES = ("back\\slash.txt", "folder\\of/one", "C:\\root", "C:stream", "CON", "dot.", "..\\up")
"""Names that ext has, of what Windows would read otherwise."""

VOLUME_ID = "5b0f9c1e-0000-4000-8000-00000000e4f4"

REPORT_FORMS = ("html", "md", "csv", "json")


def main() -> None:
    """Do all of it; the first difference ends the run."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        _demo()
        drives = [_unpacked(name, folder) for name in ("old", "sound", "faulty")]
        for target in drives[1:]:
            comparison = _check(drives[0], target, folder)
        _names_of_other_systems(folder)
        _reports(comparison, folder)  # of the faulty one, which says more
        _archive(drives[0], drives[1], folder)
    _told("the tests marked portable")
    tests = ("-B", "-m", "pytest", "-q", "-p", "no:cacheprovider", "-m", "portable", "--no-skips")
    subprocess.run((*WINDOWS, *tests), cwd=CHECKOUT, check=True)


def _demo() -> None:
    _told("the demo")
    texts = [ran.stdout.decode() for ran in _run_both("demo")]
    own = re.compile(r"\S*drivewitness-held-\w{8}[\\/]|read \d{4}-\d\d-\d\d \d\d:\d\d UTC")
    here, there = (own.sub("", text) for text in texts)
    _hold_same("the demo", here, there)


def _names_of_other_systems(folder: Path) -> None:
    """Check two volumes with names that Windows would take for paths, devices or others."""
    drives = [_volume(folder / f"{name}.ext4", name.encode()) for name in ("early", "later")]
    _check(drives[0], drives[1], folder, "--whole-drive")
    lists = []
    for number, system in enumerate((HERE, WINDOWS)):
        listed = folder / f"differences-{number}.csv"
        options = ("--whole-drive", "--depth", "full", "--names", "--differences", listed)
        _run(system, "check", *drives, *options)
        lists.append(listed.read_bytes())
    _hold_same("a list of differences", *lists)
    missing = [name for name in OTHER_NAMES if name.encode() not in lists[0]]
    _hold_same("names that the list of differences lacks", [], missing)


def _volume(image: Path, contents: bytes) -> Path:
    """Make an ext4 volume (e2fsprogs) whose files have these contents."""
    with tempfile.TemporaryDirectory() as made:
        for name in OTHER_NAMES:
            path = Path(made, name)
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(contents)
        maker = shutil.which("mkfs.ext4") or sys.exit("mkfs.ext4 is missing")
        subprocess.run((maker, "-q", "-F", "-U", VOLUME_ID, "-d", made, image, "8M"), check=True)
    return image


def _check(old: Path, new: Path, folder: Path, *options: str) -> Path:
    name = f"check {old.name} {new.name}"
    _told(name)
    results = _run_both("check", old, new, "--depth", "full", "--json", *options)
    _hold_same(f"exit code of {name}", *(result.returncode for result in results))
    texts = [result.stdout.decode() for result in results]
    _hold_same(name, *(_without_own(json.loads(text)) for text in texts))
    comparison = folder / "comparison.json"
    comparison.write_text(texts[0])
    return comparison


def _reports(comparison: Path, folder: Path) -> None:
    for form in REPORT_FORMS:
        _told(f"a report as {form}")
        written = []
        for system in (HERE, WINDOWS):
            report = folder / f"report.{form}"
            _run(system, "report", comparison, "-o", report)
            written.append(report.read_bytes())
            report.unlink()
        _hold_same(f"a report as {form}", *written)


def _archive(old: Path, new: Path, folder: Path) -> None:
    _told("a job that is filed, sealed and verified")
    archive, key, manifest = folder / "archive", folder / "shop.key", folder / "old.manifest"
    at = ("--archive", archive, "--key", key)
    _run(WINDOWS, "jobs", "key", "--key", key)
    # NOTE: wine keeps the list of who may use a file as its mode; administrators are its group.
    _hold_same("what a key lets others do", key.stat().st_mode & 0o007, 0)
    key.chmod(0o600)
    _run(WINDOWS, "capture", old, "-o", manifest)
    _run(WINDOWS, "jobs", "add", "J-1", manifest, new, *at)
    for system in (WINDOWS, HERE):
        verified = _run(system, "jobs", "verify", *at)
        _hold_same("the exit code of jobs verify", verified.returncode, 0)
    seal = archive / "jobs" / "J-1" / "seal.json"
    seal.write_bytes(seal.read_bytes().replace(b"J-1", b"J-2"))
    _hold_same("a changed seal", _run(WINDOWS, "jobs", "verify", *at).returncode, 3)


def _run_both(*arguments: str | Path) -> list[subprocess.CompletedProcess[bytes]]:
    """Run the command here and under wine, at the same time."""
    with ThreadPoolExecutor(2) as both:
        return list(both.map(lambda system: _run(system, *arguments), (HERE, WINDOWS)))


def _run(system: tuple[str, ...], *arguments: str | Path) -> subprocess.CompletedProcess[bytes]:
    """Run the command; exits 0, 1 and 3 are answers."""
    command = (*system, "-m", "verify", *map(str, arguments))
    done = subprocess.run(command, cwd=CHECKOUT, capture_output=True, check=False)
    if done.returncode not in {0, 1, 3}:
        sys.exit(f"{' '.join(command)}\nended with {done.returncode}:\n{done.stderr.decode()}")
    if any(word in done.stderr.decode(errors="replace") for word in OF_A_FAULT):
        sys.exit(f"{' '.join(command)}\nsays of a fault of ours:\n{done.stderr.decode()}")
    return done


def _without_own(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_own(of) for key, of in value.items() if key not in OWN_OF_A_RUN}
    return [_without_own(of) for of in value] if isinstance(value, list) else value


def _hold_same(what: str, here: object, there: object) -> None:
    if here != there:
        sys.exit(f"{what}: Windows answers\n{there!r}\nand this system\n{here!r}")


def _unpacked(name: str, folder: Path) -> Path:
    image = folder / f"{name}.img"
    image.write_bytes(lzma.decompress((CHECKOUT / f"fixtures/demo/{name}.img.xz").read_bytes()))
    return image


def _told(what: str) -> None:
    sys.stderr.write(f"Windows: {what}\n")


if __name__ == "__main__":
    main()
