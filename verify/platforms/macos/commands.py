"""What is asked of macOS by its own commands, which answer with property lists.

Sources: diskutil(8) (`list -plist`, `info -plist`), ioreg(8) (`-a`: a property list; `-r -c`: what
hangs under objects of a class; `-l`: with their properties).
"""

from __future__ import annotations

import plistlib
import subprocess
from typing import Any
from xml.parsers.expat import ExpatError

from verify.errors import MachineUntold
from verify.text.message import say

LIST = ("/usr/sbin/diskutil", "list", "-plist")
INFO = ("/usr/sbin/diskutil", "info", "-plist")
DEVICES = ("/usr/sbin/ioreg", "-a", "-l", "-r", "-c", "IOBlockStorageDevice")

_PATIENCE_SECONDS = 60


def answer_of(*command: str) -> bytes:
    """Return what a command answers.

    Raises:
        MachineUntold: nothing, or not in time.
    """
    try:
        return subprocess.run(  # noqa: S603 - our own words
            command, check=True, capture_output=True, timeout=_PATIENCE_SECONDS
        ).stdout
    except (OSError, subprocess.SubprocessError) as error:
        reason = say("{program} does not answer", program=command[0])
        raise MachineUntold("macOS", reason) from error


def property_list(text: bytes) -> dict[str, Any]:
    """Return a property list; empty where its root is no dictionary.

    Raises:
        MachineUntold: the text is no property list.
    """
    told = _parsed(text)
    return told if isinstance(told, dict) else {}


def property_lists(text: bytes) -> list[dict[str, Any]]:
    """Return the dictionaries of a property list whose root is an array.

    Raises:
        MachineUntold: the text is no property list.
    """
    told = _parsed(text) if text.strip() else []
    return [row for row in told if isinstance(row, dict)] if isinstance(told, list) else []


def _parsed(text: bytes) -> object:
    try:
        told: object = plistlib.loads(text)
    except (plistlib.InvalidFileException, ExpatError, ValueError) as error:
        raise MachineUntold("macOS", say("an answer is no property list")) from error
    return told
