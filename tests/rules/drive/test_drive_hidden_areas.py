"""Areas beside the one that is read: what a kernel shows, and what is reported.

The folders are laid out as sysfs has them (kernel Documentation/ABI/stable/sysfs-block).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import pytest

from tests.rules.cases import answers, case_of, drive, findings, usual
from verify.platforms.identity import HiddenArea
from verify.platforms.linux.hidden import hidden_areas
from verify.rules.drive import drive_hidden_areas

if TYPE_CHECKING:
    from pathlib import Path

    from verify.manifest.header import Header

RULE = drive_hidden_areas.RULE
Answer = Literal["none", "found", "not asked"]


def asked(*areas: HiddenArea) -> Header:
    """Return a device with these areas."""
    header = drive(usual())
    info = header.drive.model_copy(update={"kind": "device", "hidden_areas": areas})
    return header.model_copy(update={"drive": info})


def area(answer: Answer, what: str = "further namespaces") -> HiddenArea:
    """Return what a kernel answered."""
    return HiddenArea(what=what, answer=answer, detail="nvme0n2 (512 bytes)")


def beside(folder: Path, *names: str) -> Path:
    """Lay devices beside each other as sysfs does; return the first one's folder."""
    for name in names:
        (folder / name).mkdir(parents=True)
        (folder / name / "size").write_text("8192\n")
    return folder / names[0]


def test_nvme_when_a_second_namespace_stands_beside_it_then_it_is_found(tmp_path: Path) -> None:
    """8,192 sectors of 512 bytes; a path of a namespace (`nvme0c0n1`) is not a namespace."""
    whole = beside(tmp_path / "nvme0", "nvme0n1", "nvme0n2", "nvme0c0n1", "hwmon1")
    assert hidden_areas(whole, "nvme") == (
        HiddenArea(what="further namespaces", answer="found", detail="nvme0n2 (4,194,304 bytes)"),
    )


def test_nvme_when_it_has_one_namespace_then_there_is_none_further(tmp_path: Path) -> None:
    """The quiet twin."""
    (found,) = hidden_areas(beside(tmp_path / "nvme0", "nvme0n1"), "nvme")
    assert found.answer == "none"


def test_mmc_when_boot_areas_stand_beside_it_then_they_are_found(tmp_path: Path) -> None:
    """Its partitions (`mmcblk0p1`) and other drives are no such areas."""
    names = ("mmcblk0", "mmcblk0boot0", "mmcblk0boot1", "mmcblk0p1", "mmcblk1boot0")
    (found,) = hidden_areas(beside(tmp_path / "block", *names), "mmc")
    assert found.detail == "mmcblk0boot0 (4,194,304 bytes), mmcblk0boot1 (4,194,304 bytes)"


@pytest.mark.parametrize("bus", ["sata", "usb", "virtio", None])
def test_other_drive_when_the_kernel_does_not_tell_then_it_was_not_asked(
    bus: str | None, tmp_path: Path
) -> None:
    """Never `none` for what nobody was asked about."""
    (found,) = hidden_areas(tmp_path, bus)
    assert found.answer == "not asked"
    assert found.detail


def test_rule_when_nothing_is_hidden_then_it_is_quiet() -> None:
    """Asked on both drives, and the answer was none."""
    case = case_of(asked(area("none")), asked(area("none")))
    assert answers(RULE, case) == ["same"]


@pytest.mark.parametrize(
    ("what", "levels"),
    [("further namespaces", ("review", "note")), ("boot areas", ("note", "note"))],
)
def test_rule_when_a_drive_has_more_then_the_side_decides(
    what: str, levels: tuple[str, str]
) -> None:
    """A second namespace of the old drive is for a person to look into."""
    more, none = asked(area("found", what)), asked(area("none", what))
    for case, level in ((case_of(more, none), levels[0]), (case_of(none, more), levels[1])):
        assert [item.level.value for item in findings(RULE, case)] == [level]


@pytest.mark.parametrize("header", [drive(usual()), asked(), asked(area("not asked"))])
def test_rule_when_nobody_was_asked_then_it_was_not_examined(header: Header) -> None:
    """An image, an older manifest, a kernel that does not tell."""
    assert answers(RULE, case_of(header, header)) == ["not_examined"]
