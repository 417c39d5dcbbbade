"""A partition that is read from a snapshot of it: what is recorded, and what is refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.support.images import MIB, make_ext4, run
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions
from verify.errors import ViewRefused
from verify.manifest.file import open_manifest
from verify.report.drive import print_drive
from verify.report.terminal import console_for

if TYPE_CHECKING:
    from pathlib import Path

    from verify.manifest.file import Manifest

pytestmark = pytest.mark.tools("mkfs.ext4", "tune2fs")

SIZE = 32 * MIB
FILES = {f"letters/{number:03}.txt": b"dear %03d " % number * 900 for number in range(40)}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a volume that was written to since, the snapshot of it, and a volume of another id."""
    made = tmp_path_factory.mktemp("drives")
    snapshot = make_ext4(made / "snapshot.img", SIZE, FILES)
    data = snapshot.read_bytes()
    at = data.index(FILES["letters/017.txt"])
    (made / "live.img").write_bytes(data[:at] + b"DEAR" + data[at + 4 :])
    other = make_ext4(made / "other.img", SIZE, FILES)
    run("tune2fs", "-U", "0ac0ffee-0000-4000-8000-000000000009", other)
    (made / "longer.img").write_bytes(data + bytes(512))
    (made / "shorter.img").write_bytes(data[:-4096])
    return made


def taken(folder: Path, output: Path, views: dict[int, str]) -> Manifest:
    """Capture the volume, which is its drive's only one, in full."""
    capture(str(folder / "live.img"), output, CaptureOptions(depth="full", views=views))
    return open_manifest(output)


def test_snapshot_when_given_then_its_files_are_read_and_it_is_recorded(
    folder: Path, tmp_path: Path
) -> None:
    """The rows are those of a capture of the snapshot itself; the header says where from."""
    snapshot = folder / "snapshot.img"
    seen = taken(folder, tmp_path / "seen", {0: str(snapshot)})
    live = taken(folder, tmp_path / "live", {})
    capture(str(snapshot), tmp_path / "itself", CaptureOptions(depth="full"))
    itself = open_manifest(tmp_path / "itself")
    rows = [list(manifest.entries(0)) for manifest in (seen, itself, live)]
    assert rows[0] == rows[1]
    assert rows[0] != rows[2]
    (partition,) = seen.header.partitions
    assert partition.snapshot is not None
    assert (partition.snapshot.path, partition.snapshot.size_bytes) == (str(snapshot), SIZE)
    assert partition.snapshot.tie == "identity"
    assert partition.view is None
    assert not partition.is_locked
    assert live.header.partitions[0].snapshot is None


def test_snapshot_when_shown_then_its_place_is_named(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever reads the manifest later sees that the drive itself was not read there."""
    import sys  # noqa: PLC0415 - the stream that is captured now

    seen = taken(folder, tmp_path / "seen", {0: str(folder / "snapshot.img")})
    print_drive(console_for(sys.stdout), seen.header)
    assert "snapshot" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("view", "reason"),
    [
        ("other.img", "its filesystem differs: 0AC0FFEE-"),
        ("longer.img", "it has 33554944 bytes, the partition 33554432"),
        ("shorter.img", "it has 33550336 bytes"),
        ("live.img", "it is the drive itself"),
        ("absent.img", "there is no such file"),
    ],
)
def test_snapshot_when_not_of_this_partition_then_it_is_refused(
    view: str, reason: str, folder: Path, tmp_path: Path
) -> None:
    """Before anything takes hours to read; no manifest is left."""
    with pytest.raises(ViewRefused, match=reason):
        taken(folder, tmp_path / "m", {0: str(folder / view)})
    assert not (tmp_path / "m").exists()
