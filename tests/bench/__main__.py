"""`python -m tests.bench FOLDER [NAME …]`: what each piece of work costs against something plain.

FOLDER keeps the images between runs (as root, about 40 GB). Each comparison runs its two sides in
turn, five times, and tells the medians of wall time and of processor time, and their ratios.
Processor time is what a machine that does other work at once still measures well. `python -m
tests.bench.travel FOLDER` and `python -m tests.bench.growth FOLDER` measure the two other goals.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import subprocess
import sys
import time
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from tests.bench.making import (
    make_ext_volume,
    make_manifests,
    make_ntfs_files,
    make_ntfs_volume,
)
from tests.conftest import REPOSITORY

if TYPE_CHECKING:
    from collections.abc import Callable

LARGE_FILES, LARGE_BYTES = 96, 64 << 20
MIXED_LARGE_FILES = 296
"""With 200,000 small files, 20 GB."""

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


@dataclass(frozen=True)
class Scale:
    """How much is measured, and where it lies."""

    folder: Path
    files: int
    rows: int
    rounds: int
    large: int


@dataclass(frozen=True)
class Cost:
    """One run: seconds by the clock and of processors, KiB of the largest process."""

    wall: float
    processor: float
    peak: int


def main() -> None:
    """Measure what is wanted, or all, and print a table."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench")
    parser.add_argument("folder", type=Path)
    parser.add_argument("names", nargs="*", metavar="NAME")
    parser.add_argument("--files", type=int, default=200_000)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--large", type=int, default=MIXED_LARGE_FILES, help="files of 64 MiB")
    asked = parser.parse_intermixed_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    scale = Scale(asked.folder, asked.files, asked.rows, asked.rounds, asked.large)
    _say("| work | wall, s | plain | ratio | processor, s | plain | ratio | goal | peak, MB |")
    _say("|---|---|---|---|---|---|---|---|---|")
    for name in asked.names or COMPARISONS:
        _say(_line(COMPARISONS[name](scale), scale.rounds))


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def _line(comparison: Comparison, rounds: int) -> str:
    ours: list[Cost] = []
    plain: list[Cost] = []
    for _ in range(rounds):
        for command, costs in ((comparison.ours, ours), (comparison.yardstick, plain)):
            if comparison.cold:
                Path("/proc/sys/vm/drop_caches").write_text("3", encoding="ascii")
            costs.append(run(command))
    cells = [comparison.name]
    for name in ("wall", "processor"):
        left, right = (
            statistics.median(getattr(cost, name) for cost in costs) for costs in (ours, plain)
        )
        cells += [f"{left:.2f}", f"{right:.2f}", f"{left / right:.2f}" if right else "-"]
    cells += [f"{comparison.most:.2g}", f"{max(cost.peak for cost in ours) / 1024:.0f}"]
    return f"| {' | '.join(cells)} |"


def run(command: tuple[str, ...]) -> Cost:
    """Run a program to its end under GNU time."""
    began = time.monotonic()
    done = subprocess.run(
        ["/usr/bin/time", "-f", "cost %U %S %M", *command],
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
        check=False,
    )
    wall = time.monotonic() - began
    assert done.returncode in {0, 1, 3}, done.stderr
    user, system, peak = done.stderr.rsplit("cost ", 1)[1].split()
    return Cost(wall, float(user) + float(system), int(peak))


def _capture(image: Path, depth: str) -> tuple[str, ...]:
    output = image.with_suffix(f".{depth}.gz")
    return (*TOOL, "capture", str(image), "--depth", depth, "--replace", "-o", str(output))


def _small(scale: Scale) -> Path:
    return make_ntfs_files(
        scale.folder / f"small-{scale.files}.ntfs", scale.files, 12_000, size=4 << 30
    )


def _small_ext(scale: Scale) -> Path:
    image = scale.folder / f"small-{scale.files}.ext4"
    return make_ext_volume(image, ((scale.files, 12_000),), size=4 << 30)


def _large(scale: Scale) -> Path:
    return make_ntfs_files(scale.folder / "large.ntfs", LARGE_FILES, LARGE_BYTES, size=8 << 30)


def _mixed(scale: Scale) -> Path:
    image = scale.folder / f"mixed-{scale.files}-{scale.large}.ntfs"
    kinds = ((scale.large, LARGE_BYTES), (scale.files, 12_000))
    return make_ntfs_volume(image, kinds, size=28 << 30)


def _mounted(image: Path) -> tuple[str, ...]:
    """Return the plain way over a mount: every file found, and hashed by another program."""
    script = (
        f"point=$(mktemp -d); ntfs-3g -o ro {image} $point;"
        " find $point -type f -print0 | xargs -0 b3sum > /dev/null; umount $point; rmdir $point"
    )
    return "sh", "-c", script


def _layout(scale: Scale, make: Callable[[Scale], Path] = _small) -> Comparison:
    image = make(scale)
    walk = (*YARDSTICK, "walk", str(image))
    name = f"layout, small files, {image.suffix[1:]}, warm"
    return Comparison(name, _capture(image, "layout"), walk, 1.0)


def _full(scale: Scale, make: Callable[[Scale], Path] = _small) -> Comparison:
    image = make(scale)
    plain = (*YARDSTICK, "hash", str(image))
    name = f"full, small files, {image.suffix[1:]}, warm"
    return Comparison(name, _capture(image, "full"), plain, 0.6)


def _full_mounted(scale: Scale, *, cold: bool = False) -> Comparison:
    image = _small(scale)
    name = f"full against a mount, {'cold' if cold else 'warm'}"
    return Comparison(name, _capture(image, "full"), _mounted(image), 1.0, cold=cold)


def _full_large(scale: Scale) -> Comparison:
    image = _large(scale)
    count = LARGE_FILES * LARGE_BYTES >> 22
    plain = "sh", "-c", f"dd if={image} bs=4M count={count} status=none | b3sum"
    return Comparison("full, large files, warm", _capture(image, "full"), plain, 0.8)


def _sample(scale: Scale, *, cold: bool = False) -> Comparison:
    image = _mixed(scale)
    ours, plain = _capture(image, "sample"), _capture(image, "full")
    large = scale.large * LARGE_BYTES // 10**9
    name = f"sample against full, {large} GB, {'cold' if cold else 'warm'}"
    return Comparison(name, ours, plain, 0.1, cold=cold)


def _compare(scale: Scale) -> Comparison:
    source, target = make_manifests(scale.folder, scale.rows)
    return Comparison(
        f"compare, {scale.rows:,} rows",
        (*TOOL, "compare", str(source), str(target), "--json"),
        (*YARDSTICK, "rows", str(source), str(target)),
        1 / 3,
    )


def _start(scale: Scale) -> Comparison:  # noqa: ARG001 - as the others
    return Comparison("--help against an empty program", (*TOOL, "--help"), _EMPTY, 0)


_EMPTY = (sys.executable, "-c", "pass")

COMPARISONS: dict[str, Callable[[Scale], Comparison]] = {
    "start": _start,
    "layout": _layout,
    "layout-ext": partial(_layout, make=_small_ext),
    "full": _full,
    "full-ext": partial(_full, make=_small_ext),
    "full-mounted": _full_mounted,
    "full-mounted-cold": partial(_full_mounted, cold=True),
    "full-large": _full_large,
    "sample": _sample,
    "sample-cold": partial(_sample, cold=True),
    "compare": _compare,
}

if __name__ == "__main__":
    assert shutil.which("time"), "needs GNU time"
    main()
