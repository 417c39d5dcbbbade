"""Where an archive and a key lie when nobody says so: the platform's convention for a user."""

from __future__ import annotations

import os
import sys
from pathlib import Path

_NAME = "drivewitness"
ARCHIVE_VARIABLE = "DRIVEWITNESS_ARCHIVE"
KEY_VARIABLE = "DRIVEWITNESS_KEY"


def default_archive() -> Path:
    """Return the user's archive: what the environment names, else the folder for data.

    Source: XDG Base Directory Specification 0.8; macOS and Windows: their folders for the data
    of applications.
    """
    if named := os.environ.get(ARCHIVE_VARIABLE):
        return Path(named)
    return _user_folder("XDG_DATA_HOME", Path(".local/share")) / "archive"


def default_key() -> Path:
    """Return the place of the user's key, which is never in an archive."""
    if named := os.environ.get(KEY_VARIABLE):
        return Path(named)
    return _user_folder("XDG_CONFIG_HOME", Path(".config")) / "seal.key"


def _user_folder(variable: str, under_home: Path) -> Path:
    if sys.platform == "darwin":
        return Path.home() / "Library/Application Support" / _NAME
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData/Local") / _NAME
    named = Path(os.environ.get(variable) or "")
    return (named if named.is_absolute() else Path.home() / under_home) / _NAME
