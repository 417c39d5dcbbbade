"""Where an archive and a key lie when nobody says so: the platform's convention for a user."""

from __future__ import annotations

import os
from pathlib import Path

from verify.platforms.this import PLATFORM

ARCHIVE_VARIABLE = "DRIVEWITNESS_ARCHIVE"
KEY_VARIABLE = "DRIVEWITNESS_KEY"


def default_archive() -> Path:
    """Return the user's archive: what the environment names, else in the folder for data."""
    if named := os.environ.get(ARCHIVE_VARIABLE):
        return Path(named)
    return PLATFORM.user_folder("data") / "archive"


def default_key() -> Path:
    """Return the place of the user's key, which is never in an archive."""
    if named := os.environ.get(KEY_VARIABLE):
        return Path(named)
    return PLATFORM.user_folder("settings") / "seal.key"
