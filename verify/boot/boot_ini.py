r"""What NTLDR's list of systems names: partitions by their number among those of a drive.

`multi(0)disk(0)rdisk(0)partition(2)\WINDOWS`: the first drive that the BIOS gives, and on it the
second partition, counted from 1: primary ones in the order of the table, then logical ones; records
of type 0 and extended ones are not counted.

Source: Microsoft, "Advanced RISC Computing (ARC) naming convention" (archived article 102873).
"""

from __future__ import annotations

import re

from verify.boot.boot_record import StartEntry
from verify.units import KIB

MOST_BYTES = 64 * KIB
_MOST_ENTRIES = 64
_ARC = re.compile(
    r"(?:multi|scsi)\((\d{1,3})\)disk\(\d{1,3}\)rdisk\((\d{1,3})\)partition\((\d{1,3})\)([^=\s]*)",
    re.IGNORECASE,
)


def read_boot_ini(data: bytes, path: str) -> tuple[StartEntry, ...]:
    """Return the partitions that a boot.ini names, the default first."""
    found: dict[tuple[int, int, str], StartEntry] = {}
    text = data.decode("cp1252", "replace")
    for line in text.splitlines():
        arc = _ARC.search(line)
        if arc is None or len(found) >= _MOST_ENTRIES:
            continue
        key, _, _ = line.partition("=")
        default = key.strip().lower() == "default"
        drive, partition, folder = int(arc[2]), int(arc[3]), arc[4].strip('"')
        same = drive, partition, folder.lower()
        if same not in found or default:
            found[same] = StartEntry(
                file=path, drive=drive, partition=partition, folder=folder, default=default
            )
    return tuple(sorted(found.values(), key=lambda entry: not entry.default))
