"""Which examination belongs to which filesystem: one function a family, none for the others."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.filesystem.examination import Examination, Recorder

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from verify.source.window import Window

    Examiner = Callable[[Window, Callable[[], None]], Examination]
"""Takes a volume and what tells that the work goes on; whatever the volume holds, it returns."""

EXAMINERS: Mapping[str, Examiner] = {}
"""By the kind of filesystem."""


def examine(window: Window, kind: str, alive: Callable[[], None]) -> Examination | None:
    """Examine a volume; `None` for a kind that is not examined.

    A fault of an examiner itself is recorded as something left out: it must not cost the listing.

    Raises:
        SourceVanished: the drive went away.
    """
    examiner = EXAMINERS.get(kind)
    if examiner is None:
        return None
    return examiner(window, alive)


def not_examined(reason: str) -> Examination:
    """Return the examination of a volume of which nothing could be examined, and why."""
    structure, allocation = Recorder(), Recorder()
    structure.leave_out(reason)
    allocation.leave_out(reason)
    return Examination(structure=structure.result(), allocation=allocation.result())
