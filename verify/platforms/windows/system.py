"""Windows behind the interface of `platform.py`. Tried under Wine, and on no Windows machine."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Literal

from verify.platforms.platform import APPLICATION
from verify.platforms.windows.drives import WindowsDrives


class Windows(WindowsDrives):
    """A Windows system."""

    def user_folder(self, purpose: Literal["data", "settings"]) -> Path:  # noqa: ARG002 - one for both
        """Return this program's folder among a user's data of applications."""
        named = os.environ.get("LOCALAPPDATA")
        return Path(named or Path.home() / "AppData/Local") / APPLICATION
