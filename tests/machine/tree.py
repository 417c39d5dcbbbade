"""Trees of /proc, /sys and /dev, written by hand in the shapes that the kernel's pages describe.

Sources: Documentation/ABI/stable/sysfs-block, testing/sysfs-block-dm, proc_pid_mountinfo(5). They
are no recordings of a machine. A drive's device file is an image, which is opened as one.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from verify.platforms.linux.sysfs import Places

if TYPE_CHECKING:
    from collections.abc import Iterable

SECTOR = 512
ATA = "devices/pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/block"
USB = "devices/pci0000:00/0000:00:14.0/usb2/2-1/2-1:1.0/host2/target2:0:0/2:0:0:0/block"
VIRTUAL = "devices/virtual/block"


@dataclass(frozen=True)
class Tree:
    """A machine that is written down."""

    root: Path

    @property
    def places(self) -> Places:
        """Where it tells."""
        return Places(*(self.root / name for name in ("proc", "sys", "dev", "etc", "var")))

    def write(self, path: str, text: str | bytes) -> Path:
        """Write a file of it."""
        file = self.root / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(text.encode() if isinstance(text, str) else text)
        return file

    def device(self, under: str, name: str, number: str, size_bytes: int) -> str:
        """Write a block device with its links; return its folder."""
        folder = f"sys/{under}/{name}"
        self.write(f"{folder}/dev", f"{number}\n")
        self.write(f"{folder}/size", f"{size_bytes // SECTOR}\n")
        self.write(f"{folder}/ro", "0\n")
        links = [f"sys/dev/block/{number}", f"sys/class/block/{name}"]
        if not under.endswith(("sda", "sdb", "sdc")):
            links.append(f"sys/block/{name}")
        for link in links:
            path = self.root / link
            path.parent.mkdir(parents=True, exist_ok=True)
            path.symlink_to(os.path.relpath(self.root / folder, path.parent))
        return folder

    def drive(  # noqa: PLR0913 - what a drive has
        self,
        name: str,
        number: str,
        *,
        image: Path | None = None,
        size_bytes: int = 1 << 20,
        model: str | None = "Quire 9",
        serial: str | None = None,
        under: str = ATA,
        discard: int = 2_147_450_880,
        partitions: Iterable[int] = (),
    ) -> str:
        """Write a drive: its image, and what the system tells of it."""
        size = size_bytes if image is None else image.stat().st_size
        folder = self.device(under, name, number, size)
        self.write(f"{folder}/removable", "0\n")
        self.write(f"{folder}/queue/logical_block_size", "512\n")
        self.write(f"{folder}/queue/discard_max_bytes", f"{discard}\n")
        if model is not None:
            self.write(f"{folder}/device/model", f"{model}\n")
        if serial is not None:
            # SPC-4, unit serial number page: four bytes of head, then the number.
            page = b"\x00\x80" + len(serial).to_bytes(2, "big") + serial.encode()
            self.write(f"{folder}/device/vpd_pg80", page)
        major, minor = number.split(":")
        for place in partitions:
            own = self.device(
                f"{under}/{name}", f"{name}{place}", f"{major}:{int(minor) + place}", size
            )
            self.write(f"{own}/partition", f"{place}\n")
        if image is not None:
            device = self.root / "dev" / name
            device.parent.mkdir(parents=True, exist_ok=True)
            device.symlink_to(image)
        return folder

    def layer(self, name: str, number: str, below: Iterable[str], **files: str) -> str:
        """Write a device made of others; `files`: `dm__name` writes dm/name."""
        folder = self.device(VIRTUAL, name, number, 1 << 20)
        (self.root / folder / "slaves").mkdir()
        for other in below:
            (self.root / folder / "slaves" / other).symlink_to(
                self.root / "sys/class/block" / other
            )
        for file, text in files.items():
            self.write(f"{folder}/{file.replace('__', '/')}", f"{text}\n")
        return folder

    def mounts(self, *lines: str) -> None:
        """Write mountinfo: each line from major:minor on, without the optional fields' place."""
        numbered = [f"{20 + place} 1 {line}\n" for place, line in enumerate(lines)]
        self.write("proc/self/mountinfo", "".join(numbered))
