"""How far a head would travel: `python -m tests.bench.travel FOLDER`.

The files of a volume that were written in no order of their names are read twice, in the order of
the drive and in that of their paths; between two reads the head travels from the end of one to the
start of the next.
"""

from __future__ import annotations

import io
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from tests.bench.making import make_ntfs_files
from verify.capture.file_reading import EntryReading, Wanted
from verify.capture.readers.messages import Reporter
from verify.capture.row_store import RowStore
from verify.filesystem.open import open_volume
from verify.source.drive import open_drive
from verify.source.window import Window

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verify.source.drive import Drive

FILES = 20_000


class Traced:
    """A drive that remembers where it was read."""

    def __init__(self, drive: Drive) -> None:
        self.drive = drive
        self.at = 0
        self.travel = 0

    @property
    def name(self) -> str:
        """The drive's own."""
        return self.drive.name

    @property
    def size_bytes(self) -> int:
        """The drive's own."""
        return self.drive.size_bytes

    def read_at(self, offset: int, length: int) -> bytes:
        """Read, and add the way there."""
        self.travel += abs(offset - self.at)
        self.at = offset + length
        return self.drive.read_at(offset, length)


def travelled(image: Path, folder: str, *, by_place: bool) -> int:
    """Return the sum of distances, in bytes, over the reading of all files."""
    with open_drive(image) as drive, RowStore(Path(folder) / "names") as store:
        traced = Traced(drive)
        window = Window(traced, 0, drive.size_bytes, 512)
        volume = open_volume(window, "ntfs")
        for entry in volume.entries():
            store.append(entry)
        store.finish_listing()
        files = [number for number in range(len(store)) if store.is_bare(number)]
        order: Iterable[int] = store.by_place(files) if by_place else files
        reading = EntryReading(drive, window, volume, Reporter(io.StringIO()))
        traced.travel = 0
        for _ in reading.read_all(store, order, Wanted(set(files))):
            pass
        return traced.travel


def main() -> None:
    """Print both sums and their ratio."""
    folder = Path(sys.argv[1])
    image = make_ntfs_files(folder / "shuffled.ntfs", FILES, 60_000, size=2 << 30, shuffled=True)
    with tempfile.TemporaryDirectory() as scratch:
        ours = travelled(image, scratch, by_place=True)
        plain = travelled(image, scratch, by_place=False)
    sys.stdout.write(f"| {ours / 1e9:,.2f} GB | {plain / 1e9:,.1f} GB | 1/{plain / ours:.0f} |\n")


if __name__ == "__main__":
    main()
