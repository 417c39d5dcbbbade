"""A volume examined, in short."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.support.drives import file_window
from verify.filesystem.examine import examine
from verify.filesystem.recognise import recognise

if TYPE_CHECKING:
    from pathlib import Path

    from verify.filesystem.examination import Examination


def examined(image: Path, sector_bytes: int = 512) -> Examination:
    """Examine a whole image as what it is recognised as."""
    window = file_window(image, sector_bytes)
    found = examine(window, recognise(window).kind, lambda: None)
    assert found is not None
    return found


def effects(image: Path) -> set[str]:
    """Return the effects of all faults but space without an owner."""
    found = examined(image)
    halves = [found.structure, *([found.allocation] if found.allocation else [])]
    return {str(effect) for half in halves for effect in half.counts} - {"wasted"}


def quiet(image: Path) -> bool:
    """Whether a volume was examined whole, both halves of it, and nothing was found."""
    found = examined(image)
    halves = [found.structure, found.allocation]
    return all(
        half is not None and half.compared and not half.counts and not half.left_out
        for half in halves
    )
