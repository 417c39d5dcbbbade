"""The serial number that tells one drive from another: its own, and no adapter's."""

from __future__ import annotations

from typing import Protocol


class HasSerial(Protocol):
    """A drive, recorded or attached, with its serial number and who gave it."""

    @property
    def serial(self) -> str | None:
        """The number."""

    @property
    def serial_source(self) -> str | None:
        """`drive` or `adapter`."""


def own_serial(drive: HasSerial) -> str | None:
    """Return the serial that the drive itself gave: not an adapter's, not a row of one digit."""
    serial = (drive.serial or "").strip()
    return serial if drive.serial_source != "adapter" and len(set(serial)) > 1 else None
