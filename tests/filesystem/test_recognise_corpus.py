"""Foreign images: what is described against what other tools printed (expected.json)."""

from __future__ import annotations

import json
import lzma
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pytest

from tests.support.drives import MemoryDrive
from verify.filesystem.description import Filesystem
from verify.filesystem.recognise import recognise
from verify.source.window import Window
from verify.table.read import read_table

if TYPE_CHECKING:
    from pathlib import Path


_MOST_BYTES = 300 << 20
"""Larger images are listed elsewhere; unpacking them here would say nothing new."""

_KIND_OF_WORD = {
    None: "unknown",
    "BitLocker": "bitlocker",
    "crypto_LUKS": "luks",
    "LVM2_member": "lvm",
    "isw_raid_member": "isw-raid",
}

_CRASHED_DISK_KIND = "vfat"
"""blkid names 2 KiB of a FAT12 only `vfat`: no other tool opened it to tell its bits."""

FREE_DIFFERS = {
    # dumpe2fs prints the superblock's counter; e2fsck's own test images damage one of the two.
    # Each count was confirmed by adding up the free ranges that `dumpe2fs` lists by group.
    "e2-f_extents": 7245824,
    "e2-f_readonly_fsck": 980992,
    "e2-f_bad_bbitmap": 1933312,
    "e2-j_recover_fast_commit": 963584,
    "e2-f_badsymlinks": 1019904,
    # Its bitmap, block 3, is zeros in place (hexdump): what was written waits in the journal, and
    # the state says so. Blocks 1 to 8191 are the group's.
    "e2-f_journal": 8191 * 1024,
    # dump.exfat counts a set bit of the bitmap's last byte that belongs to no cluster: the 895
    # clusters have 762 zero bits, the 896 bits as many.
    "ul-exfat": 762 * 1024,
    # dump.exfat looks for the bitmap in the second entry of the root directory; here it is the
    # third, and it takes all 1,920 clusters for free. The bitmap has 1,906 zero bits.
    "exfat-fsck-unused-dentries": 1906 * 16384,
    # fsck.fat counts what files use; a cluster that no file reaches (or that two share) is
    # taken in the FAT all the same, and FSInfo agrees with the FAT.
    "fc-directory-loop": 51602944,
    "fc-two-file-same-cluster": 51603968,
    "ms-fat32-loop": 66007552,
    # The filesystem runs past its partition, and with it some of its bitmaps.
    "fs-multiple-mbr4": None,
}
"""Where the figure differs from the tool's, and why ours is right."""


@dataclass
class Case:
    """One filesystem of the corpus: what was told of it, and what is described."""

    name: str
    told: dict[str, Any]
    found: Filesystem

    def value(self, key: str) -> Any:
        """The value a tool gave, or `None`."""
        row = self.told.get(key)
        return row.get("value") if isinstance(row, dict) else row


def windows(image: bytes, row: dict[str, Any]) -> list[tuple[dict[str, Any], Window, str]]:
    """Each filesystem of an image with its window and the type of its partition."""
    drive = MemoryDrive(image)
    found: list[tuple[dict[str, Any], Window, str]] = []
    table = None
    for told in row["filesystems"]:
        if told["where"] == "whole image":
            found.append((told, Window(drive, 0, len(image), 512), ""))
            continue
        table = table or read_table(drive, sector_bytes=512, sector_known=False)
        wanted = int(told["where"].split()[1])
        entry = next(entry for entry in table.partitions if entry.number == wanted)
        start = entry.start_lba * table.sector_bytes
        size = min(entry.sectors * table.sector_bytes, len(image) - start)
        found.append((told, Window(drive, start, size, table.sector_bytes), entry.type))
    return found


@pytest.fixture(scope="module")
def cases(corpus: Path) -> list[Case]:
    """Every filesystem of the corpus, described."""
    rows = json.loads((corpus / "expected.json").read_text())["images"]
    found = []
    for name, row in rows.items():
        small = row["raw_size"] <= _MOST_BYTES and row["stored_as"] in {"xz", "raw"}
        if not row.get("filesystems") or not small:
            continue
        stored = (corpus / row["file"]).read_bytes()
        image = lzma.decompress(stored) if row["stored_as"] == "xz" else stored
        found += [
            Case(name, told, recognise(window, type_code=kind))
            for told, window, kind in windows(image, row)
        ]
    assert len(found) > 100
    return found


def test_kind_when_seen_by_blkid_then_same(cases: list[Case]) -> None:
    """The type by blkid; for FAT the library's count of bits."""
    wrong = {}
    for case in cases:
        word = case.value("fat_kind") or case.value("kind")
        wanted = _KIND_OF_WORD.get(word, word)
        if wanted == _CRASHED_DISK_KIND:
            wanted = "fat12"
        if case.found.kind != wanted:
            wrong[case.name] = (case.found.kind, wanted)

    assert wrong == {}


def test_identity_when_given_by_a_tool_then_same(cases: list[Case]) -> None:
    """Serial or UUID as blkid prints it; LVM's has letters of both cases, hex is upper case."""
    wrong = {}
    for case in cases:
        told = case.value("uuid_or_serial")
        # NOTE: for ISO 9660 and HPFS blkid makes an identity up from a date or the boot sector.
        if told is None or case.found.kind in {"iso9660", "hpfs"}:
            continue
        wanted = told if case.found.kind == "lvm" else told.upper()
        if case.found.id != wanted:
            wrong[case.name] = (case.found.id, wanted)

    assert wrong == {}


def test_label_when_given_by_a_tool_then_same(cases: list[Case]) -> None:
    """As blkid prints it; none where it finds none."""
    # blkid prints three bytes 0xE5 raw; the image's name says that O with a tilde was meant,
    # and that is what 0xE5 is in code page 850.
    # blkid -p reads no LVM metadata; its text names the volume group (`pvs` prints the same).
    read_otherwise = {"ul-fat32-cp850-O-tilde": "ÕÕÕ", "lvm-pv": "vg_test"}
    wrong = {}
    for case in cases:
        wanted = read_otherwise.get(case.name, case.value("label"))
        if case.found.kind != "hpfs" and case.found.label != wanted:
            wrong[case.name] = (case.found.label, wanted)

    assert wrong == {}


def test_free_space_when_given_by_a_tool_then_same_or_known_why_not(cases: list[Case]) -> None:
    """dumpe2fs, ntfsinfo, fsck.fat and dump.exfat; the differences are explained above."""
    wrong = {}
    seen = 0
    for case in cases:
        told = case.value("free_bytes")
        if told is None:
            continue
        seen += 1
        wanted = FREE_DIFFERS.get(case.name, told)
        if case.name == "fs-multiple-mbr4" and case.found.kind != "ext4":
            wanted = told
        if case.found.free_bytes != wanted:
            wrong[case.name] = (case.found.free_bytes, wanted)

    assert wrong == {}
    assert seen > 90


def test_cluster_size_when_given_by_a_tool_then_same(cases: list[Case]) -> None:
    """By ntfsinfo and fsck.fat."""
    wrong = {
        case.name: (case.found.cluster_bytes, told)
        for case in cases
        if (told := case.value("cluster_bytes")) and case.found.cluster_bytes != int(told)
    }

    assert wrong == {}


def test_state_when_firm_and_checked_clean_then_clean(cases: list[Case]) -> None:
    """Two tools agree on these images and their checker found nothing, with two exceptions."""
    marked_otherwise = {
        # dumpe2fs -h prints 'not clean' for both; e2fsck -n does not mind.
        "e2-f_hurd": False,
        "e2-f_special_ea": False,
        # dumpe2fs -h lists needs_recovery: the journal holds what the listing does not.
        "e2-j_recover_csum3_64bit": False,
    }
    wrong = {
        case.name: case.found.state
        for case in cases
        if case.told.get("firm")
        and case.told.get("state") == "clean"
        and case.found.clean is not marked_otherwise.get(case.name, True)
    }

    assert wrong == {}
