"""The command that reads all contents of both drives, as somebody types it."""

from __future__ import annotations

import re
import shlex
from typing import TYPE_CHECKING

from verify.manifest.header import scope_of_both
from verify.text.message import joined, say

if TYPE_CHECKING:
    from verify.manifest.header import Header
    from verify.text.message import Message

_PLAIN = re.compile(r"[\w@%+=:,./-]+|(?:[A-Za-z]:|\\\\)[\w@%+=:,./?\\-]*", re.ASCII)
"""What needs no quotes; with backslashes the paths of Windows alone."""


def full_check(source: Header, target: Header) -> Message:
    """Return the command that checks the same two drives at depth `full`."""
    more: list[Message] = [
        say(" {option} {view}", option=option, view=_word(f"{item.number}={item.view.path}"))
        for option, header in (("--source-view", source), ("--target-view", target))
        for item in header.partitions
        if item.view is not None
    ]
    if scope_of_both(source, target) == "partition":
        more.append(say(" --one-partition"))
    elif "drive" in {source.capture.given_as, target.capture.given_as}:
        more.append(say(" --whole-drive"))
    return say(
        "drivewitness check {source} {target} --depth full{more}",
        source=_word(source.drive.path),
        target=_word(target.drive.path),
        more=joined(more, "") if more else "",
    )


def _word(word: str) -> str:
    return word if _PLAIN.fullmatch(word) else shlex.quote(word)
