"""One check of two images, from their bytes to the comparison."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions
from verify.capture.progress import Progress
from verify.capture.side_by_side import capture_both
from verify.manifest.file import Manifest, open_manifest
from verify.rules.judge_drives import compare

if TYPE_CHECKING:
    from verify.manifest.base import Depth
    from verify.rules.comparison_document import Comparison


def check(source: Path, target: Path, options: CaptureOptions | None = None) -> Comparison:
    """Capture both sides and compare them."""
    with tempfile.TemporaryDirectory() as folder:
        paths = capture_both(
            str(source),
            str(target),
            Path(folder),
            (options or CaptureOptions(),) * 2,
            (Progress(), Progress()),
        )
        return compare(open_manifest(paths[0]), open_manifest(paths[1]))


def captured(drive: Path, folder: Path, depth: Depth = "sample") -> Manifest:
    """Capture one side, to be compared several times."""
    path = folder / f"{drive.stem}.manifest"
    capture(str(drive), path, CaptureOptions(depth=depth, replace=True))
    return open_manifest(path)


def elsewhere(manifest: Manifest) -> Manifest:
    """Return a manifest as a byte-for-byte copy of the drive under another name has it."""
    drive = manifest.header.drive.model_copy(update={"path": "copy", "file_id": "file:0:0"})
    header = manifest.header.model_copy(update={"drive": drive})
    return replace(manifest, header=header)


def worst(comparison: Comparison) -> dict[str, str]:
    """Return the gravest level of each rule that found something."""
    order = ["note", "review", "stop"]
    found: dict[str, str] = {}
    for item in comparison.findings:
        known = found.get(item.rule, "note")
        found[item.rule] = max(known, item.level.value, key=order.index)
    return found


def crashed(comparison: Comparison) -> list[str]:
    """Return the rules that crashed."""
    return [item.rule for item in comparison.outcomes if item.outcome == "crashed"]
