"""Going on with a capture that was cut off: where it stood is kept, and whether it may go on.

The folder `FILE.unfinished` beside the manifest to be holds what was read (a checkpoint a
partition) and what the drive was then. A reading goes on only where the drive is provably the same
and unchanged: the same image file, or a drive with the same serial number of its own; the same
tables at both ends and the same first sectors of every partition; the same listings; and some of
what was read before reads the same again.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blake3 import blake3

from verify.errors import OutputError, PastEnd, ResumeRefused, SourceUnreadable
from verify.text.message import say
from verify.whole_file import hold_no_link, is_ours, make_folder, whole_file

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verify.source.drive import Drive
    from verify.source.window import Window

UNFINISHED = ".unfinished"
"""What the folder's name has behind that of the manifest."""

_STATE = "drive.json"
_SCHEMA = "drivewitness.checkpoint/1"
_FIRST_BYTES = 64 << 10
_LONGEST_STATE_BYTES = 16 << 20
"""A digest for each partition: no drive's comes near it."""

_NAMELESS = say("the drive reports no serial number of its own, so another could be in its place")

_WHY = {
    "schema": say("it was begun by another version of this program"),
    "drive": say("this is another drive, or another image"),
    "serial": say("this is another drive, or the image has changed"),
    "tables": say("the partition tables have changed"),
    "partitions": say("the beginning of a partition has changed"),
    "options": say("it was begun with another --seed or --confidence"),
}


@dataclass(frozen=True, slots=True)
class Unfinished:
    """The folder of one capture under way; `path` may not be there yet."""

    path: Path

    @classmethod
    def beside(cls, output: Path) -> Unfinished:
        """Return the folder that belongs to a manifest to be."""
        return cls(output.with_name(output.name + UNFINISHED))

    def hold(self, state: dict[str, Any]) -> None:
        """Write down what the drive is, or hold it against what it was when the capture began.

        Raises:
            ResumeRefused: it is not provably the same and unchanged.
            OutputError: the folder cannot be written to.
        """
        if state["serial"] is None:
            raise ResumeRefused(str(self.path), _NAMELESS)
        hold_no_link(self.path)
        file = self.path / _STATE
        if not file.exists():
            make_folder(self.path)
            self._hold_ours()
            with whole_file(file) as out:
                out.write(json.dumps(state, indent=2).encode("ascii"))
            return
        self._hold_ours()
        try:
            before = _stored(file)
        except (OSError, ValueError, RecursionError) as error:
            raise ResumeRefused(
                str(self.path), say("the record of its beginning cannot be read")
            ) from error
        for name, reason in _WHY.items():
            if not isinstance(before, dict) or before.get(name) != state[name]:
                raise ResumeRefused(str(self.path), reason)

    def _hold_ours(self) -> None:
        if not is_ours(self.path):
            raise OutputError(str(self.path), say("it belongs to another user"))

    def checkpoint(self, partition: int, *, raw: bool) -> str:
        """Return the file that notes what was read of a partition, as blocks or as files."""
        return str(self.path / f"partition-{partition}.{'blocks' if raw else 'files'}")

    def remove(self) -> None:
        """Take the folder away: the manifest is whole."""
        shutil.rmtree(self.path, ignore_errors=True)


def _stored(file: Path) -> Any:
    """Return the contents of the folder's own note; ValueError where it is malformed."""
    if not file.is_file():
        raise ValueError("it is no ordinary file")
    with file.open("rb") as stored:
        text = stored.read(_LONGEST_STATE_BYTES + 1)
    if len(text) > _LONGEST_STATE_BYTES:
        raise ValueError("it is far too long")
    return json.loads(text)


def state_of(
    drive: Drive, mark: str, windows: Iterable[tuple[int, Window]], options: list[Any]
) -> dict[str, Any]:
    """Return what has to be the same for a reading to go on; `mark` is of both ends of the drive.

    For an image, the file itself and its last change stand for the drive's serial number.
    """
    identity = drive.identity
    serial = None if identity.serial_source == "adapter" else identity.serial
    if identity.kind == "image":
        path = Path(drive.name)
        serial = f"{identity.file_id} {path.stat().st_mtime_ns}"
    return {
        "schema": _SCHEMA,
        "drive": [identity.kind, identity.model, drive.size_bytes, drive.sector_bytes],
        "serial": serial,
        "tables": mark,
        "partitions": {str(number): _begins(window) for number, window in windows},
        "options": options,
    }


def _begins(window: Window) -> str:
    try:
        return blake3(window.read(0, min(_FIRST_BYTES, window.size_bytes))).hexdigest()
    except (SourceUnreadable, PastEnd):
        return "unreadable"
