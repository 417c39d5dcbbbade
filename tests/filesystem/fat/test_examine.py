"""Examinations of FAT: nothing on good volumes, and what fsck.fat finds on damaged ones."""

from __future__ import annotations

import re
import struct
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.filesystem.examined import effects, examined, quiet
from tests.filesystem.made import make, patch, run
from tests.support.drives import file_window
from verify.filesystem.fat import examine_folders
from verify.filesystem.fat.describe import geometry
from verify.filesystem.open import open_volume
from verify.structs.fat import BOOT_SECTOR, EXTENDED_32

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.tools("mkfs.fat", "fsck.fat", "mcopy", "mmd")

BAD = {12: 0xFF7, 16: 0xFFF7, 32: 0x0FFFFFF7}

LONG = "A long name of several parts.txt"


class Volume:
    """Places in a small volume of mtools: its FATs, its root, the file with a long name."""

    def __init__(self, image: Path) -> None:
        """Find the parts of the long name in the root, and the short entry behind them."""
        data = image.read_bytes()
        sizes = geometry(BOOT_SECTOR.parse(data), EXTENDED_32.parse(data))
        assert sizes is not None
        self.sizes, self.image = sizes, image
        self.root = sizes.root_offset if sizes.bits < 32 else sizes.data_offset
        self.long = next(at for at in range(self.root, len(data), 32) if data[at + 11] == 0x0F)
        self.short = self.long + 32 * (data[self.long] & 0x3F)
        self.first = struct.unpack_from("<H", data, self.short + 26)[0]
        self.folder = next(
            at for at in range(self.root, len(data), 32) if data[at : at + 6] == b"FOLDER"
        )
        inside = struct.unpack_from("<H", data, self.folder + 26)[0]
        self.inside = sizes.data_offset + (inside - 2) * sizes.cluster_bytes

    def entry(self, cluster: int, value: int, *, copies: tuple[int, ...] = (0, 1)) -> None:
        """Write the entry of a cluster into some of the FATs."""
        bits, data = self.sizes.bits, self.image.read_bytes()
        for copy in copies:
            start = self.sizes.first_fat_offset + copy * self.sizes.fat_bytes
            at = start + cluster * bits // 8
            if bits == 12:
                pair = struct.unpack_from("<H", data, at)[0]
                pair = pair & 0xF | value << 4 if cluster % 2 else pair & 0xF000 | value
                patch(self.image, at, struct.pack("<H", pair & 0xFFFF))
            else:
                patch(self.image, at, (value % (1 << bits)).to_bytes(bits // 8, "little"))


def _entry(number: int, value: int, *copies: int) -> Callable[[Volume], None]:
    return lambda v: v.entry(v.first + number, value, copies=copies or (0, 1))


def _bytes(where: str, at: int, data: bytes) -> Callable[[Volume], None]:
    return lambda v: patch(v.image, getattr(v, where) + at, data)


DAMAGES: dict[str, tuple[Callable[[Volume], None], set[str]]] = {
    "second cluster free": (_entry(1, 0), {"overwritten"}),
    "last cluster free": (_entry(2, 0), {"overwritten"}),
    "chain ends early": (_entry(0, 0x0FFFFFFF), {"lost"}),
    "chain goes round": (lambda v: v.entry(v.first + 2, v.first), {"lost"}),
    "second cluster bad": (lambda v: v.entry(v.first + 1, BAD[v.sizes.bits]), {"lost"}),
    "one copy of the FAT": (_entry(1, 0, 1), {"repaired"}),
    "first cluster another's": (_bytes("short", 26, b"\2\0"), {"overwritten"}),
    "first cluster outside": (
        _bytes("short", 20, b"\xff\x0f\0\0\0\0\xf0\xff"),
        {"lost"},
    ),
    "no first cluster": (_bytes("short", 26, b"\0\0"), {"lost"}),
    "length too long": (_bytes("short", 28, b"\xff\xff\xff\x00"), {"lost"}),
    "length too short": (_bytes("short", 28, b"\1\0\0\0"), {"repaired"}),
    "checksum of the long name": (_bytes("long", 13, b"\0"), {"repaired"}),
    "order of the long name": (_bytes("long", 32, b"\x09"), {"repaired"}),
    "a forbidden character": (_bytes("short", 2, b"*"), {"repaired"}),
    "no . in a folder": (_bytes("inside", 0, b"X"), {"repaired"}),
    ".. that is no folder": (_bytes("inside", 32 + 11, b"\0"), {"repaired"}),
    ".. of another folder": (_bytes("inside", 32 + 26, b"\x09\0"), {"repaired"}),
    "an end before a file": (_bytes("long", 0, bytes(32)), {"lost"}),
    "a file made a label": (_bytes("short", 11, b"\x08"), {"lost"}),
    "a label in a folder": (
        _bytes("inside", 96, b"LABEL      \x08" + bytes(20)),
        {"repaired"},
    ),
    "a cluster in a part of the long name": (_bytes("long", 26, b"\1\0"), {"repaired"}),
    "a reserved mark of a long name": (_bytes("long", 11, b"\x4f"), {"repaired"}),
    "a long name without a file": (_bytes("short", 0, b"\xe5"), {"repaired"}),
    "a long name at the end": (
        lambda v: patch(v.image, v.inside + 96, v.image.read_bytes()[v.long : v.long + 32]),
        {"repaired"},
    ),
    "names behind the end": (_bytes("inside", 160, b"*" * 11 + bytes(21)), {"repaired"}),
    "a free cluster's entry outside": (
        lambda v: v.entry(v.sizes.clusters - 9, v.sizes.clusters + 7),
        {"repaired"},
    ),
}

NOT_SEEN_BY_FSCK = {
    "an end before a file",
    "checksum of the long name",
    "order of the long name",
    "a file made a label",
    "a label in a folder",
    "a long name without a file",
    "a long name at the end",
    "a reserved mark of a long name",
}
"""dosfstools 4.2 reads on behind an entry that ends its folder, as Windows does not (FAT 1.03,
'FAT Directory Structure': all that follow are free), and takes the clusters of a label as a file's,
which no driver lists. A long name that does not fit, or has no file, is named; the exit is 0."""

MADE = {12: ("1440K", "-F12"), 16: ("20M", "-F16"), 32: ("48M", "-F32", "-s1")}


@pytest.fixture(scope="module", params=MADE, ids=lambda bits: f"fat{bits}")
def filled(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A volume of mkfs.fat with a folder and files in it, by mtools."""
    folder = tmp_path_factory.mktemp("fat")
    size, *options = MADE[request.param]
    image = make(folder, size, "mkfs.fat", *options)
    run("mmd", "-i", image, "::/FOLDER")
    sizes = Sizes(image)
    for name, clusters in (("FOLDER/IN.BIN", 2), (LONG, 3), ("LAST.BIN", 1)):
        contents = folder / "contents"
        contents.write_bytes(name.encode() * (clusters * sizes.cluster_bytes // len(name)))
        run("mcopy", "-i", image, contents, f"::/{name}")
    return image


class Sizes:
    """The bytes a cluster, as mkfs.fat chose them."""

    def __init__(self, image: Path) -> None:
        """Read the boot sector."""
        data = image.read_bytes()[:512]
        self.cluster_bytes = struct.unpack_from("<H", data, 11)[0] * data[13]


def accepted(image: Path) -> bool:
    """Whether fsck.fat finds nothing; it names a file system's dirty bit, which is no damage."""
    done = subprocess.run(["fsck.fat", "-n", image], capture_output=True, check=False, text=True)
    return done.returncode == 0 and not re.search("differ|Invalid|Wrong", done.stdout)


@pytest.mark.parametrize("options", [("-F12", "-s1"), ("-F16",), ("-F32", "-s2"), ("-F32", "-f1")])
@pytest.mark.parametrize("sector", ["512", "4096"])
def test_examine_when_the_volume_is_fresh_then_nothing_is_found(
    tmp_path: Path, options: tuple[str, ...], sector: str
) -> None:
    """As mkfs.fat makes it, one FAT or two."""
    size = "1440K" if options[0] == "-F12" else "300M"
    if options[0] == "-F12" and sector == "4096":
        size = "8M"
    assert quiet(make(tmp_path, size, "mkfs.fat", "-S", sector, *options))


def test_examine_when_files_are_whole_then_nothing_is_found(filled: Path) -> None:
    """The quiet twin of all damages; fsck.fat finds nothing either."""
    assert accepted(filled)
    assert quiet(filled)


@pytest.mark.parametrize("name", DAMAGES)
def test_examine_when_a_structure_is_damaged_then_it_is_found(
    filled: Path, tmp_path: Path, name: str
) -> None:
    """Oracle: fsck.fat -n of dosfstools 4.2."""
    image = tmp_path / "damaged.img"
    run("cp", "--sparse=always", filled, image)
    volume = Volume(image)
    damage, expected = DAMAGES[name]
    damage(volume)
    assert accepted(image) <= (name in NOT_SEEN_BY_FSCK), name
    assert expected <= effects(image), effects(image)


def test_examine_when_a_file_is_hit_then_its_node_is_the_librarys(
    filled: Path, tmp_path: Path
) -> None:
    """The Sleuth Kit's number of the file, so that the capture can name it."""
    import pytsk3  # noqa: PLC0415

    image = tmp_path / "damaged.img"
    run("cp", "--sparse=always", filled, image)
    DAMAGES["second cluster free"][0](Volume(image))
    check = examined(image).allocation
    assert check is not None
    nodes = {fault.node for fault in check.faults if fault.effect == "overwritten"}
    library = pytsk3.FS_Info(pytsk3.Img_Info(str(image)))
    assert nodes == {library.open(f"/{LONG}").info.meta.addr}


@pytest.mark.parametrize("bits", [32])
def test_examine_when_the_root_is_no_cluster_then_the_volume_is_refused(
    tmp_path: Path, bits: int
) -> None:
    """fsck.fat gives up: "Root directory starts at cluster ... of ..."."""
    size, *options = MADE[bits]
    image = make(tmp_path, size, "mkfs.fat", *options)
    patch(image, 44, b"\xff\xff\xff\x0f")
    assert not accepted(image)
    assert effects(image) == {"refused"}


@pytest.mark.parametrize(
    ("flags", "other", "expected"),
    [
        (0x80, True, set()),
        (0x81, False, set()),
        (0x82, False, {"refused"}),
        (0, True, {"repaired"}),
    ],
)
def test_examine_when_one_fat_is_active_then_the_others_are_not_compared(
    tmp_path: Path,
    flags: int,
    other: bool,  # noqa: FBT001 - whether the second FAT differs
    expected: set[str],
) -> None:
    """BPB_ExtFlags (FAT 1.03): bit 7, only the FAT of bits 0 to 3 is kept up to date."""
    size, *options = MADE[32]
    image = make(tmp_path, size, "mkfs.fat", *options)
    patch(image, 40, bytes([flags]))
    if other:
        Volume32(image).entry(9, 10, copies=(1,))
    assert effects(image) == expected


def test_examine_when_the_second_fat_alone_is_active_and_differs_then_it_is_said(
    tmp_path: Path,
) -> None:
    """Most drivers, and the listing, read the first FAT whatever the flags say."""
    size, *options = MADE[32]
    image = make(tmp_path, size, "mkfs.fat", *options)
    patch(image, 40, b"\x81")
    Volume32(image).entry(2, 3, copies=(1,))
    Volume32(image).entry(3, 0x0FFFFFFF, copies=(1,))
    (reason,) = examined(image).structure.left_out
    assert "FAT 2 alone is active" in reason


class Volume32(Volume):
    """A fresh volume: nothing in it but its FATs."""

    def __init__(self, image: Path) -> None:
        """Read the sizes."""
        data = image.read_bytes()[:512]
        sizes = geometry(BOOT_SECTOR.parse(data), EXTENDED_32.parse(data))
        assert sizes is not None
        self.sizes, self.image = sizes, image


@pytest.mark.parametrize("name", [None, *DAMAGES])
def test_examine_when_folders_are_taken_whole_then_they_are_told_as_entry_by_entry(
    filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str | None
) -> None:
    """The quick way tells nothing of its own: the same faults, and as many things compared."""
    image = tmp_path / "damaged.img"
    run("cp", "--sparse=always", filled, image)
    if name is not None:
        DAMAGES[name][0](Volume(image))
    quick = examined(image)
    monkeypatch.setattr(examine_folders, "plain_folder", lambda _, **__: None)
    slow = examined(image)
    assert quick == slow


def test_examine_when_an_entry_of_fat16_has_a_high_half_then_it_is_said_not_to_be_listed(
    tmp_path: Path,
) -> None:
    """Seen with The Sleuth Kit 4.12: it takes such a file's cluster for none, and lists it not."""
    size, *options = MADE[16]
    image = make(tmp_path, size, "mkfs.fat", *options)
    (tmp_path / "contents").write_bytes(b"contents")
    run("mcopy", "-i", image, tmp_path / "contents", "::/FILE.BIN")
    at = image.read_bytes().index(b"FILE    BIN")
    assert quiet(image)
    patch(image, at + 20, b"\x7e\x5d")
    (reason,) = examined(image).structure.left_out
    assert "DIR_FstClusHI" in reason
    assert not list(open_volume(file_window(image), "fat16").entries())
