"""GRUB's core image, as GRUB's own tools write it onto a drive.

`grub-mkimage` and `grub-bios-setup` (2.06) are the oracle: what the latter says that it saves
(`--verbose`: "saving <sector,offset,bytes>") are the sectors that the boot sector has to name.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from verify.boot.bootcode import read_mbr_code
from verify.boot.grub_core import is_grub, read_core
from verify.errors import SourceUnreadable

if TYPE_CHECKING:
    from verify.boot.boot_record import GrubCore

MODULES = Path("/usr/lib/grub/i386-pc")
SETUP = MODULES / "grub-bios-setup"
DRIVE_BYTES = 24 << 20

pytestmark = [pytest.mark.tools("grub-mkimage", "sfdisk", "mke2fs", "losetup"), pytest.mark.root]


@dataclass(frozen=True)
class Installed:
    """A drive with GRUB on it, and the sectors that its installer says it wrote."""

    drive: bytes
    saved: tuple[int, ...]

    def core(self, drive: bytes | None = None) -> GrubCore:
        """Return what is read of a drive."""
        data = self.drive if drive is None else drive
        return read_core(data[:512], 0, lambda at, size: data[at : at + size], len(data))


def install(folder: Path, first_sector: int, *options: str) -> Installed:
    """Partition an image, and let GRUB's installer write to it."""
    image, mounted, files = folder / "drive.img", folder / "mounted", folder / "grub"
    mounted.mkdir()
    files.mkdir()
    image.write_bytes(bytes(DRIVE_BYTES))
    run("sfdisk", "-q", str(image), given=f"label: dos\n{first_sector},,L,*\n")
    shutil.copy(MODULES / "boot.img", files)
    core = str(files / "core.img")
    command = ["grub-mkimage", "-O", "i386-pc", "-p", "(hd0,msdos1)/grub", "-o", core]
    run(*command, "biosdisk", "part_msdos", "ext2")
    whole = run("losetup", "-f", "--show", str(image)).strip()
    part = run("losetup", "-f", "--show", "-o", str(first_sector * 512), str(image)).strip()
    try:
        run("mke2fs", "-q", "-F", part)
        run("mount", part, str(mounted))
        try:
            shutil.copytree(files, mounted / "grub")
            (folder / "map").write_text(f"(hd0) {whole}\n(hd0,msdos1) {part}\n", encoding="utf-8")
            setup = [str(SETUP), "-v", "--skip-fs-probe", "-m", str(folder / "map"), *options]
            said = run(*setup, "-d", str(mounted / "grub"), whole)
        finally:
            run("umount", str(mounted))
    finally:
        run("losetup", "-d", part)
        run("losetup", "-d", whole)
    saved = tuple(int(item) for item in re.findall(r"saving <(\d+),", said))
    return Installed(image.read_bytes(), saved)


def run(*command: str, given: str | None = None) -> str:
    """Run a tool and return what it said, on both outputs."""
    done = subprocess.run(
        command, input=given, check=True, capture_output=True, text=True, timeout=120
    )
    return done.stdout + done.stderr


@pytest.fixture(scope="module")
def embedded(tmp_path_factory: pytest.TempPathFactory) -> Installed:
    """GRUB in the room between table and first partition."""
    return install(tmp_path_factory.mktemp("grub"), 2048)


def test_core_when_it_is_embedded_then_its_sectors_are_those_the_installer_wrote(
    embedded: Installed,
) -> None:
    """The first by the boot sector, the rest by the list in it."""
    assert is_grub(embedded.drive[:512])
    core = embedded.core()
    sectors = [at + step for at, count in core.runs for step in range(count)]
    assert set(embedded.saved) <= set(sectors)
    assert sectors == list(range(1, len(sectors) + 1))
    assert core.problem is None
    assert read_mbr_code(embedded.drive[:512]).loader == "GRUB"


@pytest.mark.parametrize(
    ("start", "words"),
    [
        (1, "holds something else"),
        (30, None),
    ],
)
def test_core_when_sectors_are_emptied_then_it_is_seen(
    embedded: Installed, start: int, words: str | None
) -> None:
    """The first sector is recognised by its contents, others by their number."""
    drive = bytearray(embedded.drive)
    drive[start * 512 : (start + 9) * 512] = bytes(9 * 512)
    core, whole = embedded.core(bytes(drive)), embedded.core()
    if words:
        assert words in (core.problem or "")
    else:
        assert core.zero_sectors == whole.zero_sectors + 9
        assert core.digest != whole.digest


def test_core_when_the_drive_ends_before_it_then_that_is_said(embedded: Installed) -> None:
    """A list that names what the drive does not have."""
    drive = bytearray(embedded.drive)
    drive[0x5C:0x64] = (1 << 40).to_bytes(8, "little")
    assert "behind the end of the drive" in (embedded.core(bytes(drive)).problem or "")
    drive = bytearray(embedded.drive)
    drive[512 + 0x1F4 : 512 + 0x1FC] = (1 << 40).to_bytes(8, "little")
    assert "behind the drive's end" in (embedded.core(bytes(drive)).problem or "")


@pytest.mark.parametrize("value", range(0, 256, 5))
def test_core_when_its_list_is_garbage_then_it_ends_soon(embedded: Installed, value: int) -> None:
    """Whatever stands there gives a result."""
    drive = bytearray(embedded.drive)
    drive[512 + 128 : 1024] = bytes([value]) * 384
    core = embedded.core(bytes(drive))
    assert len(core.runs) < 50


def test_core_when_it_cannot_be_read_then_that_is_said(embedded: Installed) -> None:
    """A bad sector in the room behind the table."""

    def fails(at: int, size: int) -> bytes:
        raise SourceUnreadable("drive", at, size, "input/output error")

    core = read_core(embedded.drive[:512], 0, fails, DRIVE_BYTES)
    assert core.problem == "its sectors cannot be read: input/output error"
    assert replace(core, problem=None).digest is None


def test_grub_when_the_code_is_anothers_then_it_is_none() -> None:
    """Code of other loaders, and a name alone."""
    for code in (b"", b"NTLDR is missing", b"GRUB "):
        assert not is_grub(code.ljust(512, b"\x90"))
