"""From a fit that was kept to the layout that rules hold the new drive to."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.errors import UsageError
from verify.fit.file import read_fit
from verify.rules.declared import Declared, DeclaredPlace
from verify.text.message import say

if TYPE_CHECKING:
    from pathlib import Path


def read_declared(path: str | Path) -> Declared:
    """Read a fit as a declared layout.

    Raises:
        UsageError: it says that the drive does not fit, so that it declares no layout.
        SourceMissing, SourceForbidden, FitForeign: as `read_fit` does.
    """
    fit = read_fit(path)
    if not fit.fits:
        problem = say("{path}: this fit says that the drive does not fit.", path=str(path))
        raise UsageError(problem, say("Work out a fit that fits, and clone by that one."))
    new = fit.target.sector_bytes
    old = fit.source.sector_bytes if fit.source else new
    places = {
        row.number: DeclaredPlace(
            start=row.start_lba * new,
            size=row.sectors * new,
            was_start=row.was_start_lba * old,
            was_size=row.was_sectors * old,
        )
        for row in fit.partitions
    }
    return Declared(size_bytes=fit.target.size_bytes, sector_bytes=new, places=places)
