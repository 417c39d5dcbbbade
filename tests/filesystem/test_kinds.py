"""One description a kind of filesystem: what follows from it, by what each format is known for.

That ext counts blocks and NTFS clusters from the start of the volume, FAT and exFAT from behind
their tables: Linux, ext4/; libfsntfs, NTFS format; Microsoft, FAT and exFAT specifications.
"""

from __future__ import annotations

import pytest

from verify.filesystem.description import Filesystem
from verify.filesystem.kinds import KINDS, kinds_of, traits_of


@pytest.mark.parametrize("kind", ["extended", "fatx", "ntfs2", "exfat4", ""])
def test_kind_when_its_name_only_begins_like_another_then_it_is_none_of_those(kind: str) -> None:
    """An extended partition is no ext, and what nobody listed has no reader."""
    traits = traits_of(kind)
    assert traits.family == kind
    assert not traits.readable
    assert not traits.from_start


def test_families_when_asked_for_then_they_are_the_widths_and_ages_of_one_filesystem() -> None:
    """FAT12, FAT16 and FAT32 differ in the bits of an entry; ext2, ext3 and ext4 in age."""
    assert kinds_of("fat") == {"fat12", "fat16", "fat32"}
    assert kinds_of("ext") == {"ext2", "ext3", "ext4"}
    assert kinds_of("ntfs", "exfat") == {"ntfs", "exfat"}


def test_clusters_when_counted_from_the_start_then_it_is_ntfs_or_ext() -> None:
    """FAT and exFAT count from behind their tables, and from 2."""
    assert {kind for kind, traits in KINDS.items() if traits.from_start} == {
        *("ntfs", "ext2", "ext3", "ext4")
    }


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_kind_when_described_then_no_two_traits_exclude_each_other(kind: str) -> None:
    """What is locked or does not matter has no files to list, and a log belongs to files."""
    traits = Filesystem(kind=kind).traits
    assert not (traits.readable and traits.locked)
    assert not (traits.readable and not traits.decides)
    assert traits.readable or not (traits.log or traits.caseless or traits.from_start)
