"""Reading sysfs: one value a file (kernel Documentation/filesystems/sysfs.rst)."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

SECTOR_BYTES = 512
"""What sysfs counts sizes in, whatever the drive's own sectors are (stable/sysfs-block)."""


@dataclass(frozen=True, slots=True)
class Places:
    """Where the kernel and the system tell: other places are trees of tests."""

    proc: Path = Path("/proc")
    sys: Path = Path("/sys")
    dev: Path = Path("/dev")
    etc: Path = Path("/etc")
    var: Path = Path("/var")


def device_number(device: int) -> str:
    """Return a device's number as sysfs and mountinfo write it: major:minor."""
    return f"{os.major(device)}:{os.minor(device)}"


def text_in(path: Path) -> str | None:
    """Return what a file of sysfs says; `None` where it says nothing or is not there."""
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip() or None
    except OSError:
        return None


def number_in(path: Path) -> int | None:
    """Return the number in a file of sysfs; `None` where it has none."""
    words = text_in(path)
    return int(words) if words is not None and words.isdigit() else None


def flag_in(path: Path) -> bool | None:
    """Return the yes or no in a file of sysfs; `None` where it has none."""
    number = number_in(path)
    return None if number is None else bool(number)
