"""Foreign ext images: one that e2fsck -fn calls whole gives no fault, any other gives one."""

from __future__ import annotations

import json
import subprocess
from typing import TYPE_CHECKING, Any

import pytest

from tests.conftest import REPOSITORY, corpus_folder
from tests.filesystem.ext.making import checker, examined, serious
from tests.support.drives import unpack_image

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.tools("e2fsck")

LARGEST_BYTES = 256 << 20
"""Larger ones take e2fsck minutes."""

ENDLESS = {"e2-f_illitable_flexbg"}
"""e2fsck 1.47.0 -n had not ended after minutes."""

DIFFERENT = {
    "e2-f_bad_gdt_csum": "e2fsck -n passes over the descriptor's checksum that it complains of",
    "e2-f_orphan": "inodes that wait for deletion, which the driver and e2fsck delete alike",
    "e2-f_quota": "the usage in quota files is not added up",
}
"""Where the opinions differ, and why."""


def folder() -> Path:
    """Return the large collection's folder, or the part the repository carries."""
    large = corpus_folder()
    return large if (large / "expected.json").exists() else REPOSITORY / "fixtures" / "foreign"


def images() -> list[str]:
    """Return the images that are one ext filesystem and no more."""
    rows: dict[str, dict[str, Any]] = json.loads((folder() / "expected.json").read_text())["images"]
    return [
        name
        for name, row in rows.items()
        if row["stored_as"] in {"xz", "raw"}
        and name not in ENDLESS
        and row.get("raw_size", 0) <= LARGEST_BYTES
        and [str(item.get("kind", {}).get("value", ""))[:3] for item in row.get("filesystems", ())]
        == ["ext"]
        and row["filesystems"][0]["where"] == "whole image"
    ]


@pytest.mark.parametrize("name", images())
def test_examination_when_the_image_is_foreign_then_agrees_with_its_checker(
    name: str, tmp_path: Path
) -> None:
    """Images whose journal waits are checked after e2fsck replayed it in a copy."""
    row = json.loads((folder() / "expected.json").read_text())["images"][name]
    image = unpack_image(folder() / row["file"], tmp_path)
    found = examined(image)
    if found.log_applied:
        copy = tmp_path / "copy.img"
        copy.write_bytes(image.read_bytes())
        subprocess.run(
            ["e2fsck", "-E", "journal_only", "-y", copy], check=False, capture_output=True
        )
        image = copy

    code, said = checker(image)

    if name in DIFFERENT:
        assert bool(code) != bool(serious(found)), said
    else:
        assert bool(code) == bool(serious(found)), (said, serious(found)[:3])
