"""The system that this runs on."""

from __future__ import annotations

import sys

from verify.platforms.platform import Platform


def _this_platform() -> Platform:
    if sys.platform == "linux":
        from verify.platforms.linux.system import Linux  # noqa: PLC0415 - of this system alone

        return Linux()
    if sys.platform == "win32":
        from verify.platforms.windows.files import allow_long_paths  # noqa: PLC0415 - likewise
        from verify.platforms.windows.system import Windows  # noqa: PLC0415 - of this system alone

        allow_long_paths()
        return Windows()
    if sys.platform == "darwin":
        from verify.platforms.macos.system import MacOs  # noqa: PLC0415 - of this system alone

        return MacOs()
    return Platform()


PLATFORM = _this_platform()
