"""Windows behind the interface of `platform.py`. Tried on no machine."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from verify.platforms.platform import APPLICATION, Platform

if TYPE_CHECKING:
    from verify.platforms.running_machine import Machine


class Windows(Platform):
    """A Windows system."""

    def machine(self) -> Machine:
        """Ask its own commands."""
        from verify.platforms.windows.machine import look_at_windows  # noqa: PLC0415 - with psutil

        return look_at_windows()

    def user_folder(self, purpose: Literal["data", "settings"]) -> Path:  # noqa: ARG002 - one for both
        """Return this program's folder among a user's data of applications."""
        named = os.environ.get("LOCALAPPDATA")
        return Path(named or Path.home() / "AppData/Local") / APPLICATION
