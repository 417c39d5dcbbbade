"""Whether changes wait in a filesystem's log, against what the filesystems' own tools say.

`ntfs-3g.probe` opens a volume for writing and refuses one whose log must be replayed (exit 15,
its manual page).
"""

from __future__ import annotations

import shutil
import struct
import subprocess
from pathlib import Path

import pytest

from tests.filesystem.made import described, make, patch, run
from tests.support.drives import unpack_image

PENDING_EXIT = 15
WINDOWS_VOLUME = "ntfs-rich.img.xz"


def probe(image: Path) -> int:
    """Return what ntfs-3g says to opening the volume for writing."""
    done = subprocess.run(["ntfs-3g.probe", "--readwrite", image], check=False, capture_output=True)
    return done.returncode


@pytest.fixture(scope="module")
def windows_volume(corpus: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Unpack a volume that Windows made and used."""
    return unpack_image(corpus / WINDOWS_VOLUME, tmp_path_factory.mktemp("windows"))


@pytest.mark.tools("ntfs-3g.probe")
def test_log_when_windows_dismounted_the_volume_then_it_is_clean(windows_volume: Path) -> None:
    """Both say so."""
    assert probe(windows_volume) == 0
    assert described(windows_volume).log == "clean"


@pytest.mark.tools("ntfs-3g.probe")
def test_log_when_a_client_uses_it_and_the_volume_is_not_clean_then_it_is_pending(
    windows_volume: Path, tmp_path: Path
) -> None:
    """As after a power cut: in the newer page; the older one alone does not matter."""
    image = Path(shutil.copyfile(windows_volume, tmp_path / "volume.img"))
    data = image.read_bytes()
    first = data.index(b"RSTR")
    older, newer = (
        page + struct.unpack_from("<H", data, page + 24)[0] for page in (first, first + 4096)
    )
    patch(image, newer, struct.pack("<Q", struct.unpack_from("<Q", data, older)[0] + 1))
    patch(image, older + 12, struct.pack("<HH", 0, 0))
    assert described(image).log == "clean"
    (position,) = struct.unpack_from("<Q", image.read_bytes(), newer)
    assert described(image).log_position == position
    patch(image, newer + 12, struct.pack("<HH", 0, 0))
    assert described(image).log == "pending"
    assert probe(image) == PENDING_EXIT


@pytest.mark.tools("mkntfs", "ntfs-3g.probe")
def test_log_when_the_volume_is_new_then_it_is_empty(tmp_path: Path) -> None:
    """By mkntfs, which fills the log with 0xFF."""
    image = make(tmp_path, "8M", "mkntfs", "-q", "-F", "-Q")
    assert described(image).log == "empty"
    assert described(image).log_position is None
    assert probe(image) == 0


@pytest.mark.tools("mkntfs")
def test_log_when_it_is_none_then_it_is_not_known(tmp_path: Path) -> None:
    """Zeros, or another signature: noted as unread, not guessed at."""
    image = make(tmp_path, "8M", "mkntfs", "-q", "-F", "-Q")
    data = image.read_bytes()
    start = data.index(b"\xff" * 65_536)
    patch(image, start, bytes(4096))
    found = described(image)
    assert found.log is None
    assert "$LogFile" in [item.what for item in found.unread]


@pytest.mark.tools("mke2fs", "debugfs", "dumpe2fs")
def test_log_when_ext_needs_recovery_then_it_is_pending(tmp_path: Path) -> None:
    """`dumpe2fs -h` lists the feature; without a journal there is no log."""
    image = make(tmp_path, "16M", "mke2fs", "-q", "-F", "-t", "ext4")
    assert described(image).log == "clean"
    run("debugfs", "-w", "-R", "feature needs_recovery", image)
    assert "needs_recovery" in run("dumpe2fs", "-h", image)
    assert described(image).log == "pending"
    plain = make(tmp_path, "16M", "mke2fs", "-q", "-F", "-t", "ext2")
    assert described(plain).log is None
