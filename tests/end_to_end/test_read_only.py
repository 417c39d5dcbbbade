"""Nothing is written to a drive: watched by the kernel, by hashes, and by a device that cannot be.

The kernel's own record of system calls (strace) is the witness, not this tool's code.
"""

from __future__ import annotations

import hashlib
import re
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.conftest import REPOSITORY
from tests.end_to_end.checking import check
from verify.cli.demo_images import DEMO, unpack

if TYPE_CHECKING:
    from collections.abc import Iterator

DEPTHS = ("layout", "sample", "full")
WRITING = re.compile(r"O_WRONLY|O_RDWR|O_CREAT|O_TRUNC|O_APPEND")
CALLS = (
    "open,openat,openat2,creat,truncate,unlink,unlinkat,rename,renameat,renameat2,"
    "mount,umount2,fsopen,move_mount,ioctl,write,pwrite64,pwritev,fallocate,ftruncate"
)


@pytest.fixture(scope="module")
def drives(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Unpack the demo's drives, and leave them read-only to nobody: root could write to them."""
    folder = tmp_path_factory.mktemp("drives")
    return {name: unpack(name, folder) for name in DEMO}


def sha256(path: Path) -> str:
    """Return a file's SHA-256."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@pytest.mark.tools("strace")
@pytest.mark.parametrize("depth", DEPTHS)
def test_check_when_every_call_is_recorded_then_none_opens_a_drive_to_write(
    depth: str, drives: dict[str, Path], tmp_path: Path
) -> None:
    """All processes of a run (strace -f): drives are opened O_RDONLY, and nothing is mounted."""
    record = tmp_path / "record"
    before = {name: sha256(path) for name, path in drives.items()}
    command = [
        *("strace", "-f", "-y", "-o", str(record), "-e", f"trace={CALLS}"),
        *(sys.executable, "-m", "verify", "check", str(drives["old"]), str(drives["sound"])),
        *("--depth", depth),
    ]
    result = subprocess.run(command, check=False, cwd=REPOSITORY, capture_output=True, text=True)
    assert result.returncode in {0, 1}, result.stderr
    lines = record.read_text(errors="replace").splitlines()
    names = {str(path) for path in drives.values()}
    touching = [line for line in lines if any(name in line for name in names)]
    opens = [line for line in touching if re.search(r"\bopen(at2?)?\(", line)]
    # Both drives by the capture itself, and once more by the reader of each partition.
    assert len(opens) >= 4
    assert all("O_RDONLY" in line and not WRITING.search(line) for line in opens)
    others = [line for line in touching if line not in opens]
    assert [line for line in others if re.search(r"\b(p?write|f?truncate|fallocate)", line)] == []
    assert not [line for line in lines if re.search(r"\b(mount|umount2|fsopen|move_mount)\(", line)]
    assert {name: sha256(path) for name, path in drives.items()} == before


@pytest.fixture
def loops(drives: dict[str, Path]) -> Iterator[list[Path]]:
    """Attach two of the drives as read-only block devices."""
    attached: list[Path] = []
    try:
        for name in ("old", "sound"):
            result = subprocess.run(
                ["losetup", "--read-only", "--find", "--show", drives[name]],
                check=True,
                capture_output=True,
                text=True,
            )
            attached.append(Path(result.stdout.strip()))
        yield attached
    finally:
        for device in attached:
            subprocess.run(["losetup", "--detach", device], check=True)


@pytest.mark.root
@pytest.mark.tools("losetup")
def test_check_when_devices_cannot_be_written_then_it_works_all_the_same(
    loops: list[Path],
) -> None:
    """Read-only loop devices: the kernel would refuse a write."""
    comparison = check(loops[0], loops[1])
    assert comparison.source.kind == comparison.target.kind == "device"
    assert {item.rule for item in comparison.findings if item.level != "note"} == set()
    assert comparison.evidence.files_hashed > 300
