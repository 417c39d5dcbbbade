"""`python -m tests.bench FOLDER [NAME …]`: what each piece of work costs against something plain.

FOLDER keeps the images between runs (as root, about 6 GB). Each comparison runs its two sides in
turn, five times, and tells both medians and their ratio. Figures are for the machine at hand.
"""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from tests.bench.making import make_manifests, make_ntfs_files
from tests.conftest import REPOSITORY

if TYPE_CHECKING:
    from collections.abc import Callable

ROUNDS = 5
FILES = 200_000
ROWS = 1_000_000
LARGE_FILES, LARGE_BYTES = 24, 64 << 20

TOOL = (sys.executable, "-m", "verify")
YARDSTICK = (sys.executable, "-m", "tests.bench.yardsticks")


@dataclass(frozen=True)
class Comparison:
    """Our command against a yardstick; `most`: the ratio that is the goal."""

    name: str
    ours: tuple[str, ...]
    yardstick: tuple[str, ...]
    most: float
    cold: bool = False


def main(folder: Path, wanted: set[str]) -> None:
    """Measure what is wanted, or all, and print a table."""
    folder.mkdir(parents=True, exist_ok=True)
    _say("| work | ours, s | yardstick, s | ratio | goal | largest process, MB |")
    _say("|---|---|---|---|---|---|")
    for name, prepare in COMPARISONS.items():
        if not wanted or name in wanted:
            _say(_line(prepare(folder)))


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def _line(comparison: Comparison) -> str:
    ours: list[float] = []
    plain: list[float] = []
    largest = 0
    for _ in range(ROUNDS):
        for command, times in ((comparison.ours, ours), (comparison.yardstick, plain)):
            if comparison.cold:
                Path("/proc/sys/vm/drop_caches").write_text("3", encoding="ascii")
            seconds, peak = _run(command)
            times.append(seconds)
            largest = max(largest, peak if times is ours else 0)
    left, right = statistics.median(ours), statistics.median(plain)
    return (
        f"| {comparison.name} | {left:.2f} | {right:.2f} | {left / right:.2f}"
        f" | {comparison.most:g} | {largest / 1024:.0f} |"
    )


def _run(command: tuple[str, ...]) -> tuple[float, int]:
    """Return the wall time in seconds and the largest process's peak in KiB (GNU time's %M)."""
    began = time.monotonic()
    done = subprocess.run(
        ["/usr/bin/time", "-f", "peak %M", *command],
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
        check=False,
    )
    seconds = time.monotonic() - began
    assert done.returncode in {0, 1, 3}, done.stderr
    return seconds, int(done.stderr.rsplit("peak ", 1)[1])


def _capture(image: Path, depth: str) -> tuple[str, ...]:
    output = image.with_suffix(f".{depth}.gz")
    return (*TOOL, "capture", str(image), "--depth", depth, "--replace", "-o", str(output))


def _small(folder: Path) -> Path:
    return make_ntfs_files(folder / "small.ntfs", FILES, 12_000, size=4 << 30)


def _large(folder: Path) -> Path:
    return make_ntfs_files(folder / "large.ntfs", LARGE_FILES, LARGE_BYTES, size=3 << 30)


def _layout(folder: Path) -> Comparison:
    image = _small(folder)
    walk = (*YARDSTICK, "walk", str(image))
    return Comparison("layout, small files, warm", _capture(image, "layout"), walk, 1.5)


def _full(folder: Path) -> Comparison:
    image = _small(folder)
    plain = (*YARDSTICK, "hash", str(image))
    return Comparison("full, small files, warm", _capture(image, "full"), plain, 1.0)


def _full_cold(folder: Path) -> Comparison:
    image = _small(folder)
    plain = (*YARDSTICK, "hash", str(image))
    return Comparison("full, small files, cold", _capture(image, "full"), plain, 1.0, cold=True)


def _full_large(folder: Path) -> Comparison:
    image = _large(folder)
    plain = (*YARDSTICK, "bytes", str(image), str(LARGE_FILES * LARGE_BYTES))
    return Comparison("full, large files, warm", _capture(image, "full"), plain, 1.3)


def _sample(folder: Path) -> Comparison:
    image = _small(folder)
    return Comparison(
        "sample against full", _capture(image, "sample"), _capture(image, "full"), 0.1
    )


def _compare(folder: Path) -> Comparison:
    source, target = make_manifests(folder, ROWS)
    return Comparison(
        "compare, a million rows",
        (*TOOL, "compare", str(source), str(target), "--json"),
        (*YARDSTICK, "rows", str(source), str(target)),
        1 / 3,
    )


def _start(folder: Path) -> Comparison:  # noqa: ARG001 - as the others
    return Comparison("--help against an empty program", (*TOOL, "--help"), _EMPTY, 0)


_EMPTY = (sys.executable, "-c", "pass")

COMPARISONS: dict[str, Callable[[Path], Comparison]] = {
    "start": _start,
    "layout": _layout,
    "full": _full,
    "full-cold": _full_cold,
    "full-large": _full_large,
    "sample": _sample,
    "compare": _compare,
}

if __name__ == "__main__":
    assert shutil.which("time"), "needs GNU time"
    main(Path(sys.argv[1]), set(sys.argv[2:]))
