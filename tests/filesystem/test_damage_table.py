"""No structure of FAT or exFAT is damaged so that a driver loses something and nothing is reported.

Oracles: mtools 4.0.32 and fsck.fat of dosfstools 4.2; exfat-fuse 1.3.0 and fsck.exfat of
exfatprogs 1.2.0, which list, read, and fill a copy. The table itself stands in docs/formats.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.bench import damage_exfat, damage_fat, damage_table

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.tools("mkfs.fat", "fsck.fat", "mcopy", "mmd", "mdel", "mattrib")
def test_table_when_fat_is_damaged_then_what_harms_is_told(tmp_path: Path) -> None:
    """33 structures of FAT16, and what FAT32 alone has, each damaged in up to four ways."""
    rows = list(damage_table.rows(damage_fat.FAMILY, tmp_path))
    assert len(rows) > 110
    assert [row for row in rows if not row.is_seen] == []


@pytest.mark.tools("mkfs.exfat", "fsck.exfat", "mount.exfat-fuse")
@pytest.mark.root
def test_table_when_exfat_is_damaged_then_what_harms_is_told(tmp_path: Path) -> None:
    """46 structures, each damaged in up to four ways."""
    rows = list(damage_table.rows(damage_exfat.FAMILY, tmp_path))
    assert len(rows) > 130
    assert [row for row in rows if not row.is_seen] == []
