"""Windows behind the interface of `platform.py`. Tried under Wine, and on no Windows machine."""

from __future__ import annotations

from verify.platforms.windows.console import WindowsConsole
from verify.platforms.windows.drives import WindowsDrives
from verify.platforms.windows.files import WindowsFiles
from verify.platforms.windows.processes import WindowsProcesses


class Windows(WindowsDrives, WindowsFiles, WindowsProcesses, WindowsConsole):
    """A Windows system."""
