"""Damage to every structure of an ext volume is reported, and the checker agrees that it is one."""

from __future__ import annotations

import shutil
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.filesystem.ext.damages import DAMAGES, VOLUMES, Bytes, used_volume
from tests.filesystem.ext.making import checker, examined, faults, serious
from verify.filesystem.examination import Effect

if TYPE_CHECKING:
    from pathlib import Path

    from tests.filesystem.ext.damages import Damage

pytestmark = [
    pytest.mark.root,
    pytest.mark.tools("mke2fs", "e2fsck", "debugfs", "mount", "setfattr"),
]

UNHEARD = {("backup superblock", "zeros"), ("backup superblock", "one bit")}
UNHEARD |= {("backup descriptors", "one bit"), ("superblock", "last_orphan")}
"""What e2fsck -n does not tell: copies, while the primary is whole; orphans of a clean volume."""


@pytest.fixture(scope="module")
def volumes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Make the volumes that are damaged."""
    folder = tmp_path_factory.mktemp("ext-damage")
    return {name: used_volume(folder, name) for name in VOLUMES}


@pytest.mark.parametrize("name", VOLUMES)
def test_volume_when_undamaged_then_neither_finds_anything(
    name: str, volumes: dict[str, Path]
) -> None:
    """What the damages start from is whole."""
    assert checker(volumes[name])[0] == 0
    assert "Number of entries" in Bytes(volumes[name]).ask("htree_dump /hashed")
    assert faults(examined(volumes[name])) == []


@pytest.mark.parametrize("damage", DAMAGES, ids=lambda item: f"{item.structure}: {item.way}")
def test_examination_when_a_structure_is_damaged_then_tells_at_least_the_effect(
    damage: Damage, volumes: dict[str, Path], tmp_path: Path
) -> None:
    """e2fsck -fn finds it as well; the worst effect reported is the one expected, or worse."""
    copy = tmp_path / "copy.img"
    shutil.copyfile(volumes[damage.volume], copy)
    damage.do(Bytes(copy))

    code, said = checker(copy)
    found = serious(examined(copy))

    assert code != 0 or (damage.structure, damage.way) in UNHEARD, said
    order = list(Effect)
    assert found
    assert min(order.index(fault.effect) for fault in found) <= order.index(Effect(damage.effects))


REFUSED = [damage for damage in DAMAGES if damage.effects == "refused"]


@pytest.mark.parametrize("damage", REFUSED, ids=lambda item: f"{item.structure}: {item.way}")
def test_kernel_when_refusal_is_expected_then_does_not_mount_it(
    damage: Damage, volumes: dict[str, Path], tmp_path: Path
) -> None:
    """What is called refused is what the driver refuses to mount for writing."""
    copy = tmp_path / "copy.img"
    shutil.copyfile(volumes[damage.volume], copy)
    damage.do(Bytes(copy))

    place = tmp_path / "mount"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-o", "loop,rw,errors=remount-ro", copy, place], check=False, capture_output=True
    )
    if not done.returncode:
        subprocess.run(["umount", place], check=True)

    assert done.returncode
