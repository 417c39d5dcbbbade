"""An encrypted partition seen through an unlocked view: what ties it, and what it proves."""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING

import pytest

from tests.cli.command import Command
from tests.support.images import MIB, make_ext4, run
from verify.capture.assemble_header import view_fields
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions
from verify.capture.readers.task import Answer
from verify.capture.unlocked_view import Seen, tie_of
from verify.errors import ViewRefused
from verify.filesystem.description import Filesystem
from verify.manifest.file import open_manifest
from verify.platforms.linux.sysfs import Places
from verify.platforms.linux.system import Linux
from verify.rules.judge_drives import compare
from verify.source.drive import GIVEN_UP

if TYPE_CHECKING:
    from pathlib import Path

    from verify.manifest.file import Manifest
    from verify.rules.comparison_document import Comparison

pytestmark = pytest.mark.tools("cryptsetup", "mkfs.ext4")

FILES = {f"letters/{number:03}.txt": b"dear %03d " % number * 300 for number in range(200)}
SIZE = 64 * MIB
HEADER = 16 * MIB
"""What cryptsetup keeps in front of a LUKS2 volume (cryptsetup-luksFormat(8), --offset)."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make an encrypted volume, its clone, one that was damaged, and what each opens to."""
    made = tmp_path_factory.mktemp("drives")
    key = made / "key"
    key.write_bytes(b"k" * 32)
    drive = made / "old.img"
    run("truncate", "-s", str(SIZE), drive)
    quick = ("--pbkdf", "pbkdf2", "--pbkdf-force-iterations", "1000")
    run("cryptsetup", "luksFormat", "-q", "--type", "luks2", *quick, drive, key)
    with drive.open("r+b") as file:
        file.seek(HEADER)
        file.write(os.urandom(4 * MIB))
    (made / "new.img").write_bytes(drive.read_bytes())
    view = make_ext4(made / "old.view", SIZE - HEADER, FILES)
    data = view.read_bytes()
    (made / "new.view").write_bytes(data)
    at = data.index(FILES["letters/077.txt"])
    (made / "bad.view").write_bytes(data[:at] + b"DEAR" + data[at + 4 :])
    return made


def taken(folder: Path, name: str, view: str | None, output: Path) -> Manifest:
    """Capture a drive at depth full, with a view of its one partition or without."""
    views = {} if view is None else {0: str(folder / view)}
    options = CaptureOptions(depth="full", views=views)
    capture(str(folder / name), output / f"{name}-{view}", options)
    return open_manifest(output / f"{name}-{view}")


def compared(folder: Path, views: tuple[str | None, str | None], output: Path) -> Comparison:
    """Compare the two drives with these views."""
    old = taken(folder, "old.img", views[0], output)
    return compare(old, taken(folder, "new.img", views[1], output))


def outcome(result: Comparison, rule: str) -> tuple[str, int, str]:
    """Return a rule's last outcome, how much it compared, and its reason."""
    row = [item for item in result.outcomes if item.rule == rule][-1]
    return row.outcome, row.compared, row.reason or ""


def test_views_when_both_are_given_then_the_files_are_compared(
    folder: Path, tmp_path: Path
) -> None:
    """Every file by its hash, the encrypted bytes besides, and what ties the views is said."""
    result = compared(folder, ("old.view", "new.view"), tmp_path)
    assert result.evidence.files_hashed == len(FILES)
    assert outcome(result, "file-content")[:2] == ("same", len(FILES))
    result_of, count, reason = outcome(result, "filesystem-locked")
    assert (result_of, count > len(FILES)) == ("same", True)
    assert "linked to it by its size only" in reason
    assert "differ" not in reason
    assert outcome(result, "filesystem-span")[0] == "same"


def test_views_when_a_file_in_one_differs_then_it_is_told_by_name(
    folder: Path, tmp_path: Path
) -> None:
    """Through the view damage has a name; the encrypted bytes alone would give a place."""
    result = compared(folder, ("old.view", "bad.view"), tmp_path)
    found = [(item.rule, item.path, item.partition) for item in result.findings if item.path]
    assert ("file-content", "/letters/077.txt", 0) in found
    assert result.verdict == "stop"


def test_views_when_the_encrypted_bytes_differ_then_that_is_said_beside_the_files(
    folder: Path, tmp_path: Path
) -> None:
    """A volume that was encrypted anew is proven by its files."""
    copy = tmp_path / "drives"
    copy.mkdir()
    for name in ("old.img", "old.view", "new.view"):
        (copy / name).symlink_to(folder / name)
    data = bytearray((folder / "new.img").read_bytes())
    data[20 * MIB] ^= 1
    (copy / "new.img").write_bytes(data)
    result = compared(copy, ("old.view", "new.view"), tmp_path)
    assert "differ" in outcome(result, "filesystem-locked")[2]
    assert not [item for item in result.findings if item.rule == "raw-content"]


@pytest.mark.parametrize("views", [("old.view", None), (None, "new.view")])
def test_views_when_one_side_has_none_then_bytes_are_compared_and_it_is_said(
    views: tuple[str | None, str | None], folder: Path, tmp_path: Path
) -> None:
    """No file counts as missing or as compared; the encrypted bytes stand for all."""
    result = compared(folder, views, tmp_path)
    assert not [item for item in result.findings if item.rule.startswith("file-")]
    assert result.evidence.files_hashed == 0
    assert outcome(result, "raw-content")[:2] == ("same", SIZE // MIB)
    assert "its files could not be compared" in outcome(result, "filesystem-locked")[2]


def test_view_when_captured_then_the_manifest_has_its_files_and_the_bytes(
    folder: Path, tmp_path: Path
) -> None:
    """Rows of both kinds, each read back by itself."""
    manifest = taken(folder, "old.img", "old.view", tmp_path)
    view = manifest.header.partitions[0].view
    assert view is not None
    assert (view.filesystem.kind, view.tie, view.size_bytes) == ("ext4", "size", SIZE - HEADER)
    names = {entry.path for entry in manifest.entries(0) if entry.kind == "file"}
    assert names == {f"/{name}" for name in FILES}
    assert len(list(manifest.blocks(0))) == SIZE // MIB


def test_view_when_it_cannot_be_the_partitions_then_it_is_refused_with_the_reason(
    folder: Path, tmp_path: Path
) -> None:
    """Another size, no filesystem, no partition, no file."""
    run("truncate", "-s", str(SIZE - HEADER), tmp_path / "empty.view")
    run("truncate", "-s", str(SIZE + 512), tmp_path / "long.view")
    run("truncate", "-s", "1M", tmp_path / "short.view")
    for drive, number, view, reason in (
        ("old.img", 0, tmp_path / "empty.view", "no files can be read in it"),
        ("old.img", 0, tmp_path / "long.view", "it has .* bytes"),
        ("old.img", 0, folder / "old.img", "no files can be read in it .luks"),
        ("old.img", 3, folder / "old.view", "no such partition"),
        ("old.img", 0, tmp_path / "absent", "no such file"),
    ):
        options = CaptureOptions(views={number: str(view)})
        with pytest.raises(ViewRefused, match=reason):
            capture(str(folder / drive), tmp_path / "m", options)
        assert not (tmp_path / "m").exists()


@pytest.mark.parametrize(
    ("mapped", "tie"),
    [
        ("CRYPT-LUKS2-0123456789ab4defa123456789abcdef-work", "identity"),
        ("CRYPT-BITLK-0123456789ab4defa123456789abcdef-work", "identity"),
        ("CRYPT-LUKS2-ffffffffffff4fffafffffffffffffff-work", None),
        ("LVM-abcdefgh", "size"),
        (None, "size"),
    ],
)
def test_tie_when_the_kernel_names_the_volume_then_it_is_its_own_or_refused(
    mapped: str | None, tie: str | None
) -> None:
    """Identities as libcryptsetup forms them (lib/libdevmapper.c, from memory)."""
    outer = Filesystem(kind="luks", id="01234567-89AB-4DEF-A123-456789ABCDEF")
    assert tie_of(mapped, outer) == tie


def test_view_when_sectors_of_it_fail_then_its_fields_say_so() -> None:
    """They lie on the view, so that no list of the drive's sectors can hold them."""
    seen = Seen(
        path="view",
        file_id="file:0:0",
        size_bytes=MIB,
        sector_bytes=512,
        filesystem=Filesystem(kind="ext4"),
        tie="size",
    )
    told = view_fields(seen, Answer(unreadable=[(0, 512), (4096, 512)], given_up=GIVEN_UP))[
        "unread"
    ]
    assert [item["reason"] for item in told] == [
        GIVEN_UP,
        "sectors of the view that could not be read: 2",
    ]


@pytest.mark.root
def test_mapped_identity_when_sysfs_has_one_then_it_is_read(tmp_path: Path) -> None:
    """Where the kernel's ABI puts it; a plain drive has none, and an image is no device."""
    node = tmp_path / "node"
    os.mknod(node, stat.S_IFBLK | 0o600, os.makedev(254, 3))
    linux = Linux(Places(sys=tmp_path / "sys"))
    assert linux.mapped_identity(str(node)) is None
    folder = tmp_path / "sys/dev/block/254:3/dm"
    folder.mkdir(parents=True)
    (folder / "uuid").write_text("CRYPT-LUKS2-00-work\n")
    assert linux.mapped_identity(str(node)) == "CRYPT-LUKS2-00-work"
    assert linux.mapped_identity(str(folder / "uuid")) is None


def test_command_when_views_are_given_then_both_screens_tell_them(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`check` with a view of each side; `show` of a manifest that has one."""
    views = ("--source-view", f"0={folder}/old.view", "--target-view", f"0={folder}/new.view")
    keep = tmp_path / "kept"
    sides = (str(folder / "old.img"), str(folder / "new.img"))
    command = Command(capsys)
    done = command("check", *sides, *views, "--depth", "full", "--json", "--keep", keep)
    assert done.document["evidence"]["files_hashed"] == len(FILES)
    shown = command("show", next(keep.glob("source*")))
    assert "matched by its size only" in " ".join(shown.out.split())


@pytest.mark.parametrize(
    ("given", "code"),
    [("x=file", 2), ("0", 2), ("0=", 2), ("9=/dev/null", 4)],
)
def test_command_when_a_view_is_wrong_then_one_sentence_and_the_exit_code(
    given: str,
    code: int,
    folder: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A bad option value is exit 2; an unusable view is exit 4."""
    words = "capture", folder / "old.img", "--view", given, "-o", tmp_path / "m"
    Command(capsys)(*words).assert_one_sentence(code)


def test_command_when_a_view_is_given_for_a_manifest_then_it_is_refused(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was captured is not read again."""
    taken(folder, "old.img", None, tmp_path)
    words = "check", tmp_path / "old.img-None", folder / "new.img", "--source-view", "0=x"
    Command(capsys)(*words).assert_one_sentence(2, "is a manifest")
