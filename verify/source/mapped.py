"""What the kernel's device mapper tells of a device it made.

Source: kernel Documentation/ABI/testing/sysfs-block-dm, /sys/block/<device>/dm/uuid.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def mapped_identity(folder: Path) -> str | None:
    """Return the identity that a mapped device was given; `folder`: the device's own in sysfs."""
    try:
        return (folder / "dm/uuid").read_text(encoding="utf-8", errors="replace").strip() or None
    except OSError:
        return None
