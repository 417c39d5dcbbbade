"""Sound pairs for tests: an old drive and a good clone of it, in every way a clone can be good.

The volumes are those of the demo (a FAT32 with loaders and a boot store, a system NTFS with some
300 files, a recovery NTFS), made smaller; identities are the scenario's, so that the boot store's
references resolve on both drives.
"""

from __future__ import annotations

import atexit
import re
import shutil
import tempfile
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from fixtures import scenario
from fixtures.ntfs_bytes import set_dirty, set_hidden_sectors
from tests.support import images
from tests.support.faults import write_bytes
from tests.support.images import MIB, GptTable, Slot, run
from tests.table.layouts import Entry
from verify.cli.demo_images import unpack

if TYPE_CHECKING:
    from collections.abc import Callable

ESP, RESERVED, SYSTEM, RECOVERY = 1, 2, 3, 4
"""Partition numbers of the GPT pairs that hold a Windows system."""

MIB_SECTORS = MIB // 512
ESP_MIB, SYSTEM_MIB, RECOVERY_MIB = 40, 24, 4
SHRUNK_SYSTEM_MIB = 20
DRIVE_MIB = 75
SIGNATURE = 0x5B0C7D1E

LINUX_FILES = {
    "etc/hostname": b"quire\n",
    "home/orla/orders.txt": b"Eighteen volumes, half linen.\n" * 40,
    "home/orla/binding.jpg": scenario.photo("binding", 30_000),
    **{f"home/orla/notes/{number:03d}.txt": b"note %d\n" % number for number in range(120)},
}
ROOT_FILES = {
    "orders.txt": b"Eighteen volumes, half linen.\n" * 400,
    "binding.jpg": scenario.photo("binding", 30_000),
}


@dataclass(frozen=True)
class Pair:
    """An old drive and its clone."""

    source: Path
    target: Path


def make_pair(kind: str, folder: Path) -> Pair:
    """Make one of `SOUND_PAIRS` in a folder."""
    return SOUND_PAIRS[kind](folder)


def same_size(folder: Path) -> Pair:
    """Two drives alike byte for byte."""
    source = _windows_drive(folder / "old.img")
    return Pair(source, _copy(source))


def larger(folder: Path) -> Pair:
    """A larger drive, the backup table moved to its end."""
    source = _windows_drive(folder / "old.img")
    return Pair(source, _windows_drive(folder / "new.img", drive_mib=DRIVE_MIB + 16))


def grown(folder: Path) -> Pair:
    """A larger drive whose system was shrunk before on the old one: it grew with its filesystem."""
    source = _windows_drive(folder / "old.img", system_mib=SHRUNK_SYSTEM_MIB)
    target = _windows_drive(folder / "new.img", drive_mib=DRIVE_MIB + 16, rewritten=True)
    return Pair(source, target)


def shrunk(folder: Path) -> Pair:
    """A smaller drive: system shrunk, recovery moved behind it, what names it rewritten."""
    source = _windows_drive(folder / "old.img")
    target = _windows_drive(
        folder / "new.img",
        drive_mib=DRIVE_MIB - 4,
        system_mib=SHRUNK_SYSTEM_MIB,
        rewritten=True,
    )
    return Pair(source, target)


def used_clusters(folder: Path) -> Pair:
    """The same, but free clusters hold noise on the old drive and zeros on the new one."""
    target = _windows_drive(folder / "new.img")
    source = Path(shutil.copyfile(target, folder / "old.img"))
    table = images.read_gpt(source)
    for number in (SYSTEM, RECOVERY):
        fill_free_clusters(source, table.offset(number), table.size(number), folder)
    # The FAT32 is nearly empty: its last clusters are free (held by a test against `mdir`).
    write_bytes(
        source, table.offset(ESP) + table.size(ESP) - 65_536, scenario.noise("free", 65_536)
    )
    return Pair(source, target)


def without_page_files(folder: Path) -> Pair:
    """The clone has no page file."""
    source = _windows_drive(folder / "old.img")
    return Pair(source, _windows_drive(folder / "new.img", page_file=False))


def mbr(folder: Path) -> Pair:
    """MBR with an active system, recovery, two logical partitions; the clone's drive is larger."""
    volumes = _volumes()
    started = Path(shutil.copyfile(volumes / "system.img", folder / "bios.img"))
    images.put_ntfs_file(started, "bootmgr", scenario.noise("bootmgr", 20_000))
    system, recovery = 2048, 2048 + SYSTEM_MIB * MIB_SECTORS
    inner = recovery + (RECOVERY_MIB + 1) * MIB_SECTORS
    primaries = [
        Slot(system, SYSTEM_MIB * MIB_SECTORS, 0x07, active=True),
        Slot(recovery, RECOVERY_MIB * MIB_SECTORS, 0x27),
    ]
    logicals = [
        Slot(inner, 8 * MIB_SECTORS, 0x0E),
        Slot(inner + 9 * MIB_SECTORS, 8 * MIB_SECTORS, 0x83),
    ]
    held = {
        1: _placed(started, system, folder),
        2: _placed(volumes / "recovery.img", recovery, folder),
        5: images.make_fat(folder / "fat.img", 8 * MIB, LINUX_FILES, hidden=inner),
        6: images.make_ext4(folder / "ext4.img", 8 * MIB, LINUX_FILES),
    }
    source, target = (
        images.make_mbr_drive(
            folder / name,
            size * MIB_SECTORS,
            primaries,
            held,
            logicals=logicals,
            signature=SIGNATURE,
        )
        for name, size in (("old.img", 52), ("new.img", 60))
    )
    return Pair(source, target)


def _loaders() -> dict[str, bytes]:
    """Return an EFI system partition's files without a boot store, which names other drives."""
    return {name: data for name, data in scenario.esp_files().items() if "BCD" not in name}


def ext4(folder: Path) -> Pair:
    """A Linux machine on GPT: FAT, ext4, swap, on a larger drive."""
    rows = ((ESP, 8, images.ESP_TYPE), (2, 24, images.LINUX_TYPE), (3, 4, images.SWAP_TYPE))
    held = {
        1: images.make_fat(folder / "esp.img", 8 * MIB, _loaders(), hidden=2048),
        2: images.make_ext4(folder / "root.img", 24 * MIB, LINUX_FILES),
        3: images.make_swap(folder / "swap.img", 4 * MIB),
    }
    return _both(folder, _table(rows, 40), 48, held)


def sectors_4096(folder: Path) -> Pair:
    """Drives of 4,096-byte sectors: FAT, NTFS, ext4, on a larger drive."""
    rows = ((ESP, 16, images.ESP_TYPE), (2, 16, images.BASIC_TYPE), (3, 16, images.LINUX_TYPE))
    table = _table(rows, 52, sector_bytes=4096)
    starts = {number: entry.first for number, entry in table.entries.items()}
    files = _loaders()
    held = {
        1: images.make_fat(
            folder / "esp.img", 16 * MIB, files, bits=12, hidden=starts[1], sector_bytes=4096
        ),
        2: images.make_ntfs(
            folder / "ntfs.img", 16 * MIB, ROOT_FILES, hidden=starts[2], sector_bytes=4096
        ),
        3: images.make_ext4(folder / "ext4.img", 16 * MIB, LINUX_FILES, block_bytes=4096),
    }
    return _both(folder, table, 60, held)


SOUND_PAIRS: dict[str, Callable[[Path], Pair]] = {
    "same-size": same_size,
    "larger": larger,
    "grown": grown,
    "shrunk": shrunk,
    "used-clusters": used_clusters,
    "without-page-files": without_page_files,
    "mbr": mbr,
    "ext4": ext4,
    "sectors-4096": sectors_4096,
}
"""Every kind of good clone; all need the tools in `TOOLS`."""

TOOLS = (
    "ntfsresize",
    "ntfscp",
    "ntfscat",
    "mkntfs",
    "mkfs.vfat",
    "mcopy",
    "mkfs.ext4",
    "mkswap",
)
"""What the pairs are made with: `@pytest.mark.tools(*TOOLS)`."""


def fill_free_clusters(image: Path, offset: int, size: int, folder: Path) -> int:
    """Write noise over the free clusters of an NTFS volume with clusters of 4,096 bytes.

    Returns:
        How many there were.
    """
    volume = images.cut_volume(image, offset, size, folder / "free.img")
    bitmap = images.run_bytes("ntfscat", "-i", "6", volume)
    clusters = int.from_bytes(_boot_sector(volume)[40:48], "little") * 512 // 4096
    noise = scenario.noise("free", 4096)
    free = [item for item in range(clusters) if not bitmap[item // 8] >> item % 8 & 1]
    with image.open("r+b") as file:
        for cluster in free:
            file.seek(offset + cluster * 4096)
            file.write(noise)
    volume.unlink()
    return len(free)


@cache
def _volumes() -> Path:
    """Return a folder of the demo's volumes made small; it lasts as long as this process."""
    folder = Path(tempfile.mkdtemp(prefix="volumes-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    for name, system in (("old", "system.img"), ("sound", "system-without-page-file.img")):
        drive = unpack(name, folder)
        table = images.read_gpt(drive)
        images.cut_volume(drive, table.offset(SYSTEM), table.size(SYSTEM), folder / system)
        _shrink(folder / system, SYSTEM_MIB)
        if name == "old":
            for number, volume in ((ESP, "esp.img"), (RECOVERY, "recovery.img")):
                images.cut_volume(drive, table.offset(number), table.size(number), folder / volume)
            _shrink(folder / "recovery.img", RECOVERY_MIB)
        drive.unlink()
    return folder


def _windows_drive(
    image: Path,
    *,
    drive_mib: int = DRIVE_MIB,
    system_mib: int = SYSTEM_MIB,
    page_file: bool = True,
    rewritten: bool = False,
) -> Path:
    """Make a drive with EFI system partition, reserved, system and recovery.

    The recovery configuration names the recovery partition's place; `rewritten`: as of now, with
    the file's time changed, else as if it had always been so.
    """
    rows = (
        (ESP, ESP_MIB, images.ESP_TYPE),
        (RESERVED, 1, images.RESERVED_TYPE),
        (SYSTEM, system_mib, images.BASIC_TYPE),
        (RECOVERY, RECOVERY_MIB, images.RECOVERY_TYPE),
    )
    table = _table(rows, drive_mib)
    name = "system.img" if page_file else "system-without-page-file.img"
    with tempfile.TemporaryDirectory() as scratch:
        system = _placed(_volumes() / name, table.entries[SYSTEM].first, Path(scratch))
        recovery = _placed(
            _volumes() / "recovery.img", table.entries[RECOVERY].first, Path(scratch)
        )
        if system_mib < SYSTEM_MIB:
            _shrink(system, system_mib)
        if rewritten:
            configuration = scenario.recovery_configuration(table.offset(RECOVERY))
            images.put_ntfs_file(system, scenario.REAGENT, configuration)
        else:
            _name_recovery(system, table.offset(RECOVERY))
        held = {ESP: _volumes() / "esp.img", SYSTEM: system, RECOVERY: recovery}
        return images.make_gpt_drive(image, table, held)


def _name_recovery(system: Path, offset: int) -> None:
    """Put the recovery partition's start into its configuration, where that lies, in its length."""

    def name(found: re.Match[bytes]) -> bytes:
        return b'offset="%d"' % offset + b" " * (len(found[1]) - len(str(offset))) + found[2]

    data, count = re.subn(rb'offset="(\d{2,})"( guid=)', name, system.read_bytes())
    assert count == 1, "the recovery configuration is there once"
    system.write_bytes(data)


def _table(
    rows: tuple[tuple[int, int, str], ...], drive_mib: int, sector_bytes: int = 512
) -> GptTable:
    """Lay partitions of whole MiB one behind the other, from the first MiB on."""
    unit = MIB // sector_bytes
    guids = (scenario.ESP, scenario.RESERVED, scenario.SYSTEM, scenario.RECOVERY)
    entries, start = {}, unit
    for number, size, kind in rows:
        attributes = images.RECOVERY_ATTRIBUTES if kind == images.RECOVERY_TYPE else 0
        end = start + size * unit
        entries[number] = Entry(start, end - 1, kind, guids[number - 1], "", attributes)
        start = end
    return GptTable(drive_mib * unit, scenario.DISK, entries, sector_bytes)


def _both(folder: Path, table: GptTable, target_mib: int, held: dict[int, Path]) -> Pair:
    """Make an old drive, and the same partitions on a larger one."""
    wider = replace(table, sectors=target_mib * MIB // table.sector_bytes)
    return Pair(
        images.make_gpt_drive(folder / "old.img", table, held),
        images.make_gpt_drive(folder / "new.img", wider, held),
    )


def _placed(volume: Path, start: int, folder: Path) -> Path:
    """Copy an NTFS volume for a partition that starts at a sector."""
    placed = Path(shutil.copyfile(volume, folder / f"placed-{volume.name}"))
    set_hidden_sectors(placed, start)
    return placed


def _shrink(volume: Path, size_mib: int) -> None:
    """Shrink an NTFS volume, and clear the mark that this leaves."""
    run("ntfsresize", "-f", "-f", "-s", size_mib * MIB, volume)
    with volume.open("r+b") as file:
        file.truncate(size_mib * MIB)
    set_dirty(volume, dirty=False)


def _copy(source: Path) -> Path:
    return Path(shutil.copyfile(source, source.with_name("new.img")))


def _boot_sector(volume: Path) -> bytes:
    with volume.open("rb") as file:
        return file.read(512)
