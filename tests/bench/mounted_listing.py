"""What a mounted volume shows, as the damage campaigns compare it before and after."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.bench.damage import Listing

_DEEPEST, _MOST_NAMES = 8, 4_000


def mounted_listing(
    mount: Path, row: Callable[[Path], tuple[str, int, str]], folder: str = "folder"
) -> Listing:
    """Return by path what `row` says of each name; a kind that begins with `folder` is entered."""
    found: Listing = {}
    pending = [""]
    while pending:
        inside = pending.pop()
        if inside.count("/") > _DEEPEST or len(found) > _MOST_NAMES:
            # Folders in a circle, which a driver does not always notice.
            found[f"{inside}/"] = ("endless", 0, "")
            continue
        try:
            with os.scandir(mount / inside) as rows:
                names = sorted(item.name for item in rows)
        except OSError as error:
            found[f"{inside}/"] = ("error", 0, str(error.errno))
            continue
        for name in names:
            path = f"{inside}/{name}" if inside else name
            if path in found:
                found[f"{path} twice"] = ("twice", 0, "")
                continue
            try:
                found[path] = row(mount / path)
            except OSError as error:
                found[path] = ("error", 0, str(error.errno))
            if found[path][0].startswith(folder):
                pending.append(path)
    return found
