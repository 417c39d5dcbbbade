r"""Check two drives under Wine, as `\\.\PhysicalDriveN`, and compare the answer with the images'.

    WINEPREFIX=FOLDER python3 .ci/wine/check_drives.py

Wine opens and reads what such a name links to, and answers no control code: so a drive reports
nothing of itself but its length, and `drive-same` cannot be examined. Exit 0: as it should be.
"""

from __future__ import annotations

import json
import lzma
import os
import subprocess
import sys
import tempfile
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
NUMBERS = {7: "old", 8: "sound"}
"""Numbers that Wine gives no drive of its own, and the demo's drives that get them."""

OF_THE_DRIVE = {
    "drive-same",
    "drive-hidden-areas",
    "drive-health",
    "link-errors",
    "boot-driver",
    "boot-firmware",
}
"""What is judged by what a drive reports of itself; `boot-firmware` names the wipe of a drive."""

UNTRIED = "never on a Windows machine"


def main() -> int:
    """Make the images, link them, check them both ways."""
    devices = Path(os.environ["WINEPREFIX"]) / "dosdevices"
    with tempfile.TemporaryDirectory() as folder:
        images = {number: unpacked(name, Path(folder)) for number, name in NUMBERS.items()}
        links = {number: devices / f"physicaldrive{number}" for number in NUMBERS}
        for number, link in links.items():
            link.unlink(missing_ok=True)
            link.symlink_to(images[number])
        try:
            drives = checked(*(f"\\\\.\\PhysicalDrive{number}" for number in NUMBERS))
            files = checked(*map(str, images.values()))
        finally:
            for link in links.values():
                link.unlink()
    problems = list(differences(drives, files))
    sys.stderr.writelines(f"drives under Wine: {problem}\n" for problem in problems)
    return 1 if problems else 0


def unpacked(name: str, folder: Path) -> Path:
    """Return the image of one of the demo's drives."""
    image = folder / f"{name}.img"
    image.write_bytes(lzma.decompress((REPOSITORY / f"fixtures/demo/{name}.img.xz").read_bytes()))
    return image


def checked(old: str, new: str) -> subprocess.CompletedProcess[str]:
    """Run the check of two drives, in full."""
    words = ("-m", "verify", "check", old, new, "--depth", "full", "--json")
    return subprocess.run(
        [str(REPOSITORY / ".ci/wine/python"), *words],
        check=False,
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
    )


def differences(
    drives: subprocess.CompletedProcess[str], files: subprocess.CompletedProcess[str]
) -> list[str]:
    """Return what is not as it should be."""
    if drives.returncode != 1 or files.returncode not in {0, 1}:
        return [f"exit {drives.returncode} and {files.returncode}: {drives.stderr}{files.stderr}"]
    found = []
    there, here = json.loads(drives.stdout), json.loads(files.stdout)
    found += [f"other {name}" for name in ("evidence", "findings") if there[name] != here[name]]
    for one, same in zip(there["outcomes"], here["outcomes"], strict=True):
        if one["rule"] not in OF_THE_DRIVE and one != same:
            found.append(f"{one['rule']}: {one} on drives, {same} on images")
    same_drive = [item["outcome"] for item in there["outcomes"] if item["rule"] == "drive-same"]
    if same_drive != ["not_examined"]:
        found.append(f"drive-same is {same_drive} for drives that report no serial number")
    names = there["source"]["path"], there["target"]["path"]
    if names != ("\\\\.\\PhysicalDrive7", "\\\\.\\PhysicalDrive8"):
        found.append(f"the drives are called {names}")
    if drives.stderr.count(UNTRIED) != 1 or UNTRIED in files.stderr:
        found.append("what was never tried is not said once, and of drives alone")
    return found


if __name__ == "__main__":
    sys.exit(main())
