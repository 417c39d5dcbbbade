"""An image behind a real mount whose chosen byte ranges fail as a drive's sectors do.

The kernel hands each read to this process, which answers EIO, waits, or never answers. Run as
`python -m tests.support.failing IMAGE MOUNTPOINT FAULTS`, where FAULTS is JSON.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import stat
import subprocess
import sys
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

NAME = "drive.img"


@dataclass(frozen=True)
class Fault:
    """Bytes `start`..`end` that fail: `always`, `once`, or never answered (`hang`).

    `seconds`: how long each such read takes before it fails; with `slow` it then succeeds.
    """

    start: int
    end: int
    how: Literal["always", "once", "slow", "hang"] = "always"
    seconds: float = 0.0


@contextlib.contextmanager
def failing_drive(image: Path, folder: Path, faults: Sequence[Fault]) -> Iterator[Path]:
    """Mount `image` with faults below `folder`; yield the file that behaves as the drive."""
    point = folder / "mount"
    point.mkdir()
    words = json.dumps([asdict(fault) for fault in faults])
    command = [sys.executable, "-m", "tests.support.failing", str(image), str(point), words]
    with subprocess.Popen(command, cwd=Path(__file__).parents[2]) as server:
        try:
            drive = point / NAME
            deadline = time.monotonic() + 20
            while not os.path.ismount(point):
                assert server.poll() is None, "the mount ended"
                assert time.monotonic() < deadline, "the mount never came"
                time.sleep(0.02)
            yield drive
        finally:
            # NOTE: killing first wakes whoever hangs in a read; unmounting would wait for it.
            server.kill()
            server.wait()
            subprocess.run(["umount", "-l", point], check=False)


def reads_of(image: Path, fault: Fault) -> int:
    """Return how many reads touched a fault's bytes so far."""
    lines = image.with_suffix(".reads").read_text().splitlines()
    pairs = (map(int, line.split()) for line in lines)
    return sum(start < fault.end and fault.start < start + size for start, size in pairs)


class _Drive:
    """The image as the kernel is answered."""

    def __init__(self, image: Path, faults: list[Fault]) -> None:
        self.log = image.with_suffix(".reads").open("a", buffering=1)
        self.source = os.open(image, os.O_RDONLY)
        self.size = os.fstat(self.source).st_size
        self.faults = faults

    def read(self, offset: int, length: int) -> bytes:
        """Answer one read; OSError where it fails."""
        self.log.write(f"{offset} {length}\n")
        for fault in tuple(self.faults):
            if not (offset < fault.end and fault.start < offset + length):
                continue
            time.sleep(fault.seconds)
            while fault.how == "hang":
                time.sleep(60)
            if fault.how == "once":
                self.faults.remove(fault)
            if fault.how != "slow":
                raise OSError(errno.EIO, "sectors of a test")
        return os.pread(self.source, length, offset)


def _serve(drive: _Drive, point: str) -> None:
    import mfusepy  # noqa: PLC0415 - of the tests that mount alone

    class Operations(mfusepy.Operations):  # type: ignore[misc]
        use_ns = True

        def getattr(self, path: str, fh: Any = None) -> dict[str, Any]:  # noqa: ARG002
            if path == "/":
                return {"st_mode": stat.S_IFDIR | 0o755, "st_nlink": 2}
            if path == f"/{NAME}":
                return {"st_mode": stat.S_IFREG | 0o444, "st_nlink": 1, "st_size": drive.size}
            raise mfusepy.FuseOSError(errno.ENOENT)

        def readdir(self, path: str, fh: int) -> list[str]:  # noqa: ARG002
            return [".", "..", NAME]

        def open(self, path: str, fi: Any) -> int:  # noqa: ARG002
            fi.direct_io = 1  # reads arrive as they were asked for, without a cache in between
            return 0

        def read(self, path: str, length: int, offset: int, fh: Any) -> bytes:  # noqa: ARG002
            return drive.read(offset, length)

    mfusepy.FUSE(Operations(), point, foreground=True, raw_fi=True, ro=True)


if __name__ == "__main__":
    wanted = [Fault(**item) for item in json.loads(sys.argv[3])]
    _serve(_Drive(Path(sys.argv[1]), wanted), sys.argv[2])
