"""`python -m tests.bench.damage_ntfs_table`: the damage table of NTFS, as docs/formats has it.

Each structure of one small volume is damaged as `tests/filesystem/ntfs/test_examine_damage.py` has
it; ntfs-3g says what it makes of a copy, the examination says what it finds.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.bench.damage import difference
from tests.bench.damage_ntfs import FAMILY
from tests.filesystem.ntfs.test_examine import examined, faults_of
from tests.filesystem.ntfs.test_examine_damage import CASES, ORDER, Good
from tests.filesystem.ntfs.volume_bytes import VolumeBytes


def main() -> None:
    """Write the table to standard output."""
    rows = ["| damage | ntfs-3g | effect | found |", "|---|---|---|---|"]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _, older, data = FAMILY.volumes(folder)[0]
        good = Good(older, data, FAMILY.oracle(data, folder)[1])
        rows += [_row(case, good, folder) for case in CASES]
    sys.stdout.write("\n".join(rows) + "\n")


def _row(case: str, good: Good, folder: Path) -> str:
    volume = VolumeBytes(bytearray(good.data))
    CASES[case][0](volume, good)
    refused, listing = FAMILY.oracle(bytes(volume.data), folder)
    lost = difference(good.listing, listing)
    theirs = refused or (f"{lost.count(';') + 1} names or files differ" if lost else "reads all")
    if theirs.startswith("mount:"):
        theirs = "does not mount"
    faults = faults_of(examined(volume.data))
    worst = next((effect for effect in ORDER if any(f.effect == effect for f in faults)), "none")
    first = next((fault for fault in faults if fault.effect == worst), None)
    found = f"{first.structure}, {first.place}: {first.field}" if first else ""
    return f"| {case} | {theirs} | {worst} | {found} |"


if __name__ == "__main__":
    main()
