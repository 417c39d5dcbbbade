"""Where an archive and a key lie when nobody says so: the platform's convention for a user."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.platforms.this import PLATFORM
from verify.settings.settings import in_force

if TYPE_CHECKING:
    from pathlib import Path


def default_archive() -> Path:
    """Return the user's archive: the one of the settings, else in the folder for data."""
    return in_force().archive or PLATFORM.user_folder("data") / "archive"


def default_key() -> Path:
    """Return the place of the user's key, which is never in an archive."""
    return in_force().key or PLATFORM.user_folder("settings") / "seal.key"
