"""Time and memory by the number of names: `python -m tests.bench.growth FOLDER [PICTURE]`.

A capture of depth layout of volumes of 10,000, 100,000 and 1,000,000 files, and a comparison of two
manifests of as many rows. The picture (SVG) has both axes by powers of ten.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from tests.bench.__main__ import TOOL, Cost, run
from tests.bench.making import make_manifests, make_ntfs_files

if TYPE_CHECKING:
    from collections.abc import Iterable

COUNTS = (10_000, 100_000, 1_000_000)
_STEP = 90
_HEAD = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 460 300" font-family="sans-serif"'
    ' font-size="11" role="img"><title>Time and memory by the number of names</title>'
)


def main() -> None:
    """Measure, print a table, and draw the picture where one is wanted."""
    folder = Path(sys.argv[1])
    lines: dict[str, list[float]] = {}
    for count in COUNTS:
        image = make_ntfs_files(
            folder / f"tiny-{count}.ntfs", count, 600, size=max(1, count // 250_000) << 30
        )
        output = folder / "growth.gz"
        captured = run(
            (*TOOL, "capture", str(image), "--depth", "layout", "--replace", "-o", str(output))
        )
        compared = run((*TOOL, "compare", *map(str, make_manifests(folder, count)), "--json"))
        sys.stdout.write(f"| {count:,} | {_cells(captured)} | {_cells(compared)} |\n")
        sys.stdout.flush()
        for what, cost in (("capture", captured), ("compare", compared)):
            lines.setdefault(f"{what}, processor s", []).append(cost.processor)
            lines.setdefault(f"{what}, MB", []).append(cost.peak / 1024)
    if sys.argv[2:]:
        Path(sys.argv[2]).write_text(_picture(lines), encoding="utf-8")


def _cells(cost: Cost) -> str:
    return f"{cost.wall:.1f} | {cost.processor:.1f} | {cost.peak / 1024:.0f}"


def _picture(lines: dict[str, list[float]]) -> str:
    parts = [_HEAD]
    for power in range(4):
        y = 250 - power * 70
        parts.append(f'<path d="M60 {y}H330" stroke="#bbb"/><text x="50" y="{y + 4}"')
        parts[-1] += f' text-anchor="end">{10**power:,}</text>'
    for step, count in enumerate(COUNTS):
        x = 60 + step * _STEP
        parts.append(f'<text x="{x}" y="270" text-anchor="middle">{count:,}</text>')
    for shape, (name, values) in zip(("", "4 3", "1 3", "8 3"), lines.items(), strict=True):
        places = list(_places(values))
        path = "M" + "L".join(f"{x:.0f} {y:.0f}" for x, y in places)
        parts.append(f'<path d="{path}" fill="none" stroke="#000" stroke-dasharray="{shape}"/>')
        right, height = places[-1]
        parts.append(f'<text x="{right + 6:.0f}" y="{height + 4:.0f}">{name}</text>')
    return "\n".join([*parts, "</svg>", ""])


def _places(values: Iterable[float]) -> Iterable[tuple[float, float]]:
    for step, value in enumerate(values):
        yield 60 + step * _STEP, 250 - 70 * math.log10(max(value, 1))


if __name__ == "__main__":
    main()
