"""Nothing is written onto a drive that is read: refused before the first read of it.

Real drives to the kernel: loop devices with partitions, mapped devices, btrfs subvolumes, mounts
over mounts (losetup(8), dmsetup(8), btrfs(8), mount(8)).
"""

from __future__ import annotations

import contextlib
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.archive.small import archive_of, pair
from tests.support.images import LINUX_TYPE, MIB, GptTable, make_ext4, make_gpt_drive
from tests.table.layouts import Entry
from verify.machine import look
from verify.platforms.running_machine import Firmware, Machine, SeenDrive, SystemVolume, Trim

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.cli.command import Command

pytestmark = [
    pytest.mark.root,
    pytest.mark.tools("losetup", "partx", "mount", "umount", "mkfs.ext4"),
]


def run(*words: object) -> str:
    """Run a tool; return what it printed."""
    answer = subprocess.run(list(map(str, words)), check=True, capture_output=True, text=True)
    return answer.stdout.strip()


@contextlib.contextmanager
def loop(image: Path | str) -> Iterator[str]:
    """Attach an image as a drive with partitions."""
    device = run("losetup", "--find", "--show", "--partscan", image)
    try:
        # NOTE: the partitions are given to a kernel that knows no tables; another knows them by
        # now.
        subprocess.run(["partx", "--add", device], check=False, capture_output=True)
        yield device
    finally:
        run("losetup", "--detach", device)


@contextlib.contextmanager
def mounted(what: object, folder: Path, *options: str) -> Iterator[Path]:
    """Mount something."""
    folder.mkdir(exist_ok=True)
    run("mount", *options, what, folder)
    try:
        yield folder
    finally:
        run("umount", folder)


@dataclass(frozen=True)
class Bench:
    """A drive of two partitions, the first of which is mounted; a place apart; a copy."""

    image: Path
    device: str
    inside: Path
    apart: Path
    copy: Path


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The image of that drive."""
    folder = tmp_path_factory.mktemp("image")
    guids = "1da7e0f1-0000-4000-8000-0000000000d1", "1da7e0f1-0000-4000-8000-0000000000d2"
    entries = {
        number: Entry(2048 + 32768 * (number - 1), 2047 + 32768 * number, LINUX_TYPE, guid)
        for number, guid in enumerate(guids, 1)
    }
    table = GptTable(34 * 2048, "1DA7E0F1-0000-4000-8000-0000000000D0", entries)
    volumes = {1: make_ext4(folder / "1.ext4", 16 * MIB, {"a.txt": b"a"})}
    return make_gpt_drive(folder / "drive.img", table, volumes)


@pytest.fixture
def bench(image: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    """The drive, attached and mounted; nothing of it may be opened as long as a test says so."""
    apart = tmp_path / "apart"
    apart.mkdir()
    own, copy = tmp_path / "drive.img", tmp_path / "copy.img"
    for file in (own, copy):
        run("cp", "--sparse=always", image, file)
    monkeypatch.setattr(tempfile, "tempdir", None)
    monkeypatch.setenv("TMPDIR", str(apart))
    with loop(own) as device, mounted(f"{device}p1", tmp_path / "inside") as inside:
        yield Bench(own, device, inside, apart, copy)


@pytest.fixture
def unread(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let every opening of a drive fail the test: exit 70 and not 2."""

    def opened(name: str) -> int:
        raise AssertionError(f"{name} was opened")

    monkeypatch.setattr("verify.source.drive._open", opened)


def assert_refused(command: Command, bench: Bench, *arguments: object) -> None:
    """Hold that it is wrong usage, and that the drive is as it was."""
    before = sorted(path.name for path in bench.inside.iterdir())
    ran = command(*arguments)
    ran.assert_one_sentence(2, "which is being read")
    assert sorted(path.name for path in bench.inside.iterdir()) == before


@pytest.mark.usefixtures("unread")
def test_output_when_it_lies_on_the_drive_that_is_read_then_it_is_refused(
    bench: Bench, command: Command
) -> None:
    """Every option that names a place, of every command that reads a drive, on either side."""
    drive, copy, inside = bench.device, bench.copy, bench.inside
    archive = archive_of(bench.apart, 1).root
    on_it = archive_of(inside, 1).root
    (bench.apart / "plan").mkdir()
    plan = bench.apart / "plan" / "a.plan"
    assert command("audit", "plan", "--archive", archive, "-o", plan).code == 0
    again = ("--drive", f"J-1={drive}")
    for arguments in (
        ("capture", drive, "-o", inside / "m"),
        ("capture", drive, "-o", inside / "lost+found" / "m"),
        ("capture", drive, "-o", bench.apart / "m", "--scratch", inside),
        ("capture", copy, "-o", inside / "m", "--view", f"1={drive}"),
        ("check", drive, copy, "--report", inside / "r.html"),
        ("check", drive, copy, "--sheet", inside / "r.html"),
        ("check", copy, drive, "--report", bench.apart / "r.md", "--report", inside / "r.html"),
        ("check", copy, drive, "--keep", inside / "new" / "folder"),
        ("check", copy, drive, "--scratch", inside),
        ("check", copy, drive, "--archive", inside / "jobs"),
        ("check", copy, drive, "--archive", on_it, "--job", "J-2"),
        ("compare", drive, copy, "--report", inside / "r.html"),
        ("compare", drive, copy, "--sheet", inside / "r.html"),
        ("fit", drive, "--onto", "500 GB", "-o", inside / "f"),
        ("fit", copy, "--onto", drive, "-o", inside / "f"),
        ("fit", drive, "--onto", "500 GB", "--scratch", inside),
        ("identify", drive, "--archive", on_it),
        ("identify", drive, "--archive", archive, "--scratch", inside),
        ("jobs", "add", "J-2", drive, copy, "--archive", on_it),
        ("audit", "run", plan, "--archive", archive, "-o", inside / "result", *again),
        ("audit", "run", plan, "--archive", on_it, "-o", bench.apart / "result", *again),
    ):
        assert_refused(command, bench, *arguments)


@pytest.mark.usefixtures("unread")
@pytest.mark.parametrize("variable", ["TMPDIR", "TEMP", "TMP"])
def test_working_files_when_they_would_lie_on_the_drive_then_it_is_refused(
    variable: str, bench: Bench, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The environment names a place as an option does; not even a trial file is written there."""
    archive = archive_of(bench.apart, 1).root
    monkeypatch.delenv("TMPDIR")
    monkeypatch.setenv(variable, str(bench.inside))
    times = bench.inside.stat().st_mtime_ns
    for arguments in (
        ("show", bench.device),
        ("capture", bench.device, "-o", bench.apart / "m"),
        ("check", bench.device, bench.copy),
        ("compare", bench.copy, bench.device),
        ("fit", bench.device, "--onto", "500 GB"),
        ("identify", bench.device, "--archive", archive),
        ("jobs", "add", "J-2", bench.device, bench.copy, "--archive", archive),
    ):
        assert_refused(command, bench, *arguments)
    assert bench.inside.stat().st_mtime_ns == times


@pytest.mark.usefixtures("unread")
def test_output_when_only_the_image_was_named_then_a_mount_of_it_is_the_drive(
    bench: Bench, command: Command
) -> None:
    """A loop device of the image, and a second one: what is written there changes the image."""
    assert_refused(command, bench, "capture", bench.image, "-o", bench.inside / "m")
    with loop(bench.image) as second:
        assert_refused(command, bench, "capture", second, "-o", bench.inside / "m")


@pytest.mark.usefixtures("unread")
def test_output_when_a_layer_or_another_mount_leads_to_the_drive_then_it_is_refused(
    bench: Bench, command: Command, tmp_path: Path
) -> None:
    """A bind mount, a link, a folder beneath a mount that hides it, a partition given as a view."""
    (bench.inside / "deep").mkdir()
    link = tmp_path / "link"
    link.symlink_to(bench.inside / "deep")
    assert_refused(command, bench, "capture", bench.device, "-o", link / "m")
    with mounted(bench.inside / "deep", tmp_path / "bound", "--bind") as bound:
        assert_refused(command, bench, "capture", bench.device, "-o", bound / "m")
    outer = tmp_path / "outer"
    (bench.inside / "in").mkdir()
    with (
        mounted("none", outer, "-t", "tmpfs"),
        mounted("none", outer / "in", "-t", "tmpfs"),
        mounted(bench.inside, outer, "--bind"),
    ):
        assert_refused(command, bench, "capture", bench.device, "-o", outer / "in" / "m")


@pytest.mark.usefixtures("unread")
def test_output_when_a_device_is_made_of_a_partition_of_the_drive_then_it_is_refused(
    bench: Bench, command: Command, tmp_path: Path
) -> None:
    """A layer that this kernel has: a loop device of the second partition; others in a tree."""
    with contextlib.ExitStack() as stack:
        upper = stack.enter_context(loop(f"{bench.device}p2"))
        run("mkfs.ext4", "-q", upper)
        folder = stack.enter_context(mounted(upper, tmp_path / "upper"))
        assert_refused(command, bench, "capture", bench.device, "-o", folder / "m")
        assert_refused(command, bench, "capture", bench.image, "-o", folder / "m")
        assert_refused(command, bench, "capture", upper, "-o", bench.inside / "m")


@pytest.mark.usefixtures("unread")
@pytest.mark.tools("mkfs.btrfs", "btrfs")
def test_output_when_it_is_a_subvolume_on_the_drive_then_it_is_refused(
    tmp_path: Path, command: Command
) -> None:
    """A subvolume, mounted alone or reached through its parent, has a device of no mount."""
    image = tmp_path / "drive.img"
    with image.open("wb") as file:
        file.truncate(128 * MIB)
    run("mkfs.btrfs", "-q", image)
    with loop(image) as device, mounted(device, tmp_path / "all") as whole:
        run("btrfs", "subvolume", "create", whole / "sub")
        for place in (whole, whole / "sub"):
            command("capture", device, "-o", place / "m").assert_one_sentence(
                2, ("which is being read")
            )
        with mounted(device, tmp_path / "one", "-o", "subvol=sub") as one:
            command("capture", image, "-o", one / "m").assert_one_sentence(2, "which is being read")


def test_output_when_it_lies_elsewhere_then_it_is_written(bench: Bench, command: Command) -> None:
    """Beside the image, also as a loop device: the filesystem that holds an image is not read."""
    beside = bench.image.parent
    for number, drive in enumerate((bench.device, bench.image)):
        arguments = ("-o", beside / f"{number}.manifest", "--scratch", beside)
        assert command("capture", drive, "--depth", "layout", *arguments).code == 0
    assert command("show", bench.device).code == 0
    # A manifest of it is no drive: nothing is read.
    kept = ("report", "--report")[1:]
    ran = command(
        "compare", beside / "0.manifest", beside / "1.manifest", *kept, bench.inside / "r.md"
    )
    assert ran.code in {0, 1, 3}
    assert (bench.inside / "r.md").exists()


def test_running_when_the_archive_lies_on_the_systems_drive_then_it_is_refused(
    bench: Bench, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it finds is filed, and the system's own drive is the one that is read."""
    name = bench.device.removeprefix("/dev/")
    machine = Machine(
        platform="linux",
        host="bench",
        system=SystemVolume(point="/", filesystem="ext4", drives=(name,)),
        drives=(SeenDrive(name=name, path=bench.device, size_bytes=34 * MIB),),
        trim=Trim(answer="not_told", detail="invented"),
        firmware=Firmware(),
    )
    monkeypatch.setattr(look, "look_at_machine", lambda: machine)
    archive = archive_of(bench.inside, 1).root
    assert_refused(command, bench, "running", "--against", "J-1", "--archive", archive)
    _, new = pair(bench.apart)
    assert command("running", "--against", new).code == 3
    elsewhere = archive_of(bench.apart, 1).root
    assert command("running", "--against", "J-1", "--archive", elsewhere).code == 3


def test_standard_output_when_the_shell_puts_it_onto_the_drive_then_it_is_refused(
    bench: Bench,
) -> None:
    """`show /dev/… > FILE`: the file is there by then, and stays empty."""
    import sys  # noqa: PLC0415 - the interpreter of the tests

    with (bench.inside / "shown.txt").open("w") as out:
        done = subprocess.run(
            [sys.executable, "-m", "verify", "show", bench.device],
            stdout=out,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 2, done.stderr
    assert "which is being read" in done.stderr
    assert (bench.inside / "shown.txt").read_bytes() == b""
