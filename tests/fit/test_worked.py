"""Whole fits against worked examples: arithmetic on published counts, done by hand."""

from __future__ import annotations

import io
import json
from typing import TYPE_CHECKING, Any

import pytest

from tests.fit.fits import GIB, fit_of, five_partitions, old_500, places, rows, rules, target
from tests.rules.cases import (
    DATA,
    EFI,
    MIB,
    RECOVERY,
    RECOVERY_ATTRIBUTES,
    RESERVED,
    changed,
    drive,
)
from tests.rules.cases import partition as made
from verify.boot.boot_record import BootRecord, RecoveryConfig, RecoveryLocation
from verify.report.fit import print_fit
from verify.report.terminal import console_for

if TYPE_CHECKING:
    from pathlib import Path

    from verify.fit.fit_document import FitDocument
    from verify.manifest.header import Partition


def shown(fit: FitDocument) -> str:
    """Return what is printed of a fit."""
    stream = io.StringIO()
    print_fit(console_for(stream), fit)
    return stream.getvalue()


def test_five_partitions_when_shrunk_to_256_gb_then_each_has_its_place(tmp_path: Path) -> None:
    """500 GB onto 256 GB: the system gets 241,421 MiB, 655 sectors are left at the end."""
    fit = fit_of(old_500(), "256 GB", tmp_path)
    assert fit.fits
    assert places(fit) == {
        1: (2_048, 534_527),
        2: (534_528, 567_295),
        3: (567_296, 494_997_503),
        4: (494_997_504, 497_045_503),
        5: (497_045_504, 500_117_503),
    }
    assert rows(fit)[3].sectors == 241_421 * 2048
    assert 500_118_158 - 500_117_503 == 655
    assert {row.number: row.change for row in fit.partitions} == {
        1: "same",
        2: "same",
        3: "shrunk",
        4: "moved",
        5: "moved",
    }
    assert (rows(fit)[4].was_start_lba, rows(fit)[4].was_sectors) == (971_319_296, 2_048_000)


def test_recovery_when_it_moves_then_the_old_place_is_told_stale(tmp_path: Path) -> None:
    """Byte 497,315,479,552 of the configuration becomes 253,438,722,048."""
    location = RecoveryLocation(
        element="WinreLocation", path="/Recovery", offset=497_315_479_552, id=0, guid=None
    )
    record = BootRecord(recovery=(RecoveryConfig(path="/ReAgent.xml", locations=(location,)),))
    header = old_500(changed(five_partitions(), 3, boot=record))
    fit = fit_of(header, "256 GB", tmp_path)
    told = [item for item in fit.predictions if item.rule == "recovery-reference"]
    assert [str(item.level) for item in told] == ["review"]
    assert "497315479552" in told[0].message
    assert "253438722048" in told[0].message
    assert 497_315_479_552 - 253_438_722_048 == 243_876_757_504
    unmoved = fit_of(header, "500 GB", tmp_path)
    assert not [item for item in unmoved.predictions if item.rule == "recovery-reference"]


def test_drive_when_sold_as_500_gb_then_the_arithmetic_says_it_in_both(tmp_path: Path) -> None:
    """Common practice: a drive sold as 500 GB shows as 465.76 GiB."""
    fit = fit_of(old_500(), "500 GB", tmp_path)
    line = next(item.text for item in fit.arithmetic if item.text.startswith("new drive"))
    assert "sold as 500 GB" in line
    assert "500,107,862,016 bytes" in line
    assert "465.76 GiB" in line
    assert [row.change for row in fit.partitions] == ["same"] * 5


def test_system_when_a_recovery_partition_follows_then_it_is_what_is_left(tmp_path: Path) -> None:
    """Common practice: of 464.749 GiB, 20.1 GiB behind it leave 444.649 GiB."""
    recovery_mib = 20_582  # 20.1 GiB in whole MiB: 20.0996
    header = drive(
        [
            made(1, 1, 1_020, "fat32", type=EFI),
            made(2, 1_021, 16, "msr", type=RESERVED),
            made(3, 1_037, 900_000, of={"used_bytes": 100 * GIB}),
            made(
                4,
                901_037,
                recovery_mib,
                type=RECOVERY,
                attributes=RECOVERY_ATTRIBUTES,
                of={"free_bytes": 9 * GIB},
            ),
        ],
        size_bytes=1_953_525_168 * 512,
    )
    fit = fit_of(header, "500 GB", tmp_path)
    lines = [item.text for item in fit.arithmetic]
    assert any("from there to the end: 464.749 GiB" in line for line in lines)
    assert any("which follows: 20.100 GiB" in line for line in lines)
    assert any(line.startswith("its new size: 444.649 GiB") for line in lines)
    assert f"{rows(fit)[3].sectors * 512 / GIB:.3f}" == "444.649"


def test_arithmetic_when_added_up_then_it_comes_out(tmp_path: Path) -> None:
    """What is left, less what follows, is the room: as on paper."""
    fit = fit_of(old_500(), "256 GB", tmp_path)
    texts = [line.text for line in fit.arithmetic]
    first = next(index for index, text in enumerate(texts) if text.startswith("from there"))
    last = next(index for index, text in enumerate(texts) if text.startswith("room for"))
    numbers = [line.bytes or 0 for line in fit.arithmetic[first : last + 1]]
    assert sum(numbers[:-1]) == numbers[-1]


def test_larger_drive_when_nothing_is_asked_then_the_system_takes_the_rest(tmp_path: Path) -> None:
    """512 GB has 23,442,048 sectors more than 500 GB: 11,446 MiB and 640 sectors."""
    fit = fit_of(old_500(), "512 GB", tmp_path)
    assert rows(fit)[3].change == "grown"
    usable_end = 1_000_215_216 - 33
    assert usable_end - 2048 < places(fit)[5][1] + 1 <= usable_end
    asked = fit_of(old_500(five_partitions()), "512 GB", tmp_path, grow=3)
    assert places(asked) == places(fit)


def test_drive_when_too_small_then_the_missing_number_is_named(tmp_path: Path) -> None:
    """Least 200 GiB in use + 200 MB; on 120 GB the system has 111,699 MiB of room."""
    fit = fit_of(old_500(), "120 GB", tmp_path, what_if=("240 GB", "128 GB"))
    usable_mib = (234_441_648 - 33) // 2048
    room = (usable_mib - 277 - 2_500) * MIB
    least = 200 * GIB + 200_000_000
    missing = -(-least // MIB) * MIB - room
    assert not fit.fits
    assert rows(fit)[3].least_bytes == least
    assert fit.must_move_bytes == missing
    assert fit.refusal is not None
    assert f"{missing:,}" in fit.refusal
    assert [(row.size, row.fits) for row in fit.what_if] == [("240 GB", True), ("128 GB", False)]
    assert fit.what_if[1].must_move_bytes < missing


def test_free_space_when_wanted_then_it_decides_with_the_least(tmp_path: Path) -> None:
    """200 GiB in use and 15 % free are 235.3 GiB; 240 GB gives the system 220.9 GiB."""
    assert fit_of(old_500(), "240 GB", tmp_path).fits
    fit = fit_of(old_500(), "240 GB", tmp_path, free=0.15)
    assert not fit.fits
    got = rows(fit)[3].sectors * 512
    left = 200 * GIB - fit.must_move_bytes
    assert abs(left - got * 0.85) < MIB


def test_spare_when_asked_then_that_share_stays_unpartitioned(tmp_path: Path) -> None:
    """7 % of 976,773,168 sectors are left behind the last partition."""
    fit = fit_of(old_500(), "500 GB", tmp_path, spare=0.07)
    assert fit.fits
    assert 0.07 <= 1 - (places(fit)[5][1] + 1) / 976_773_168 < 0.0701


def test_protected_ones_when_too_large_alone_then_moving_files_is_not_enough(
    tmp_path: Path,
) -> None:
    """What does not fit even empty says so, and gives no layout."""
    fit = fit_of(old_500(), "2 GB", tmp_path)
    assert not fit.fits
    assert fit.partitions == ()
    assert fit.must_move_bytes > 200 * GIB
    assert "not enough" in (fit.refusal or "")


def test_sectors_when_of_another_size_then_bytes_stay_and_it_is_told(tmp_path: Path) -> None:
    """Of 4,096 bytes: starts are multiples of 256, sizes in bytes as before, and `stop`."""
    fit = fit_of(old_500(), target("256 GB", 4096), tmp_path)
    assert all(row.start_lba % 256 == 0 for row in fit.partitions)
    assert rows(fit)[4].sectors * 4096 == 1_000 * MIB
    assert ("sector-size", "stop") in rules(fit)


def test_logical_partitions_when_laid_out_then_each_has_room_for_its_record(
    tmp_path: Path,
) -> None:
    """A logical partition has 1 MiB in front of it, inside the extended one."""
    header = drive(
        [
            made(1, 1, 300, active=True, type="07", guid=None, of={"used_bytes": 50 * MIB}),
            made(2, 301, 602, "extended", type="0F", guid=None, container=True),
            made(5, 302, 200, type="07", guid=None, of={"used_bytes": 20 * MIB}),
            made(6, 503, 400, type="07", guid=None, of={"used_bytes": 90 * MIB}),
        ],
        size_mib=1000,
        table={"scheme": "mbr"},
    )
    fit = fit_of(header, "800 MiB", tmp_path, shrink=6)
    found = {
        number: (first // 2048, (last + 1) / 2048) for number, (first, last) in places(fit).items()
    }
    assert found == {1: (1, 301), 2: (301, 800), 5: (302, 502), 6: (503, 800)}
    same = fit_of(header, "1000 MiB", tmp_path)
    assert all(row.change == "same" for row in same.partitions)


def test_drive_when_it_has_no_partitions_then_it_fits(tmp_path: Path) -> None:
    """Nothing to place is no refusal."""
    fit = fit_of(drive([]), "500 GB", tmp_path)
    assert fit.fits
    assert fit.partitions == ()


def test_partition_when_of_plain_data_then_the_largest_gives_way(tmp_path: Path) -> None:
    """Two data partitions: the larger one, unless the other is named."""
    header = drive(
        [
            made(1, 1, 400, type=DATA, of={"used_bytes": 30 * MIB}),
            made(2, 401, 500, type=DATA, of={"used_bytes": 30 * MIB}),
        ]
    )
    assert fit_of(header, "800 MiB", tmp_path).gives_way == 2
    assert fit_of(header, "800 MiB", tmp_path, shrink=1).gives_way == 1


def exfat(number: int, start: int, mib: int, used: int, **more: Any) -> Partition:
    """Return an exFAT data partition with so many MiB in use."""
    return made(number, start, mib, "exfat", type=DATA, of={"used_bytes": used * MIB}, **more)


def test_exfat_when_it_has_to_be_smaller_then_it_is_made_anew_and_never_shrunk(
    tmp_path: Path,
) -> None:
    """No usual tool resizes exFAT (common practice): a new one, its files copied, `review`."""
    fit = fit_of(drive([exfat(1, 1, 900, 30)]), "800 MiB", tmp_path)
    assert fit.fits
    assert rows(fit)[1].change == "made_anew"
    assert ("filesystem-identity", "review") in rules(fit)
    told = shown(fit)
    assert "copy its files" in " ".join(told.split())
    assert "shrunk" not in told + json.dumps(fit.model_dump(mode="json"))


def test_exfat_when_a_volume_that_can_be_resized_is_enough_then_it_stays(tmp_path: Path) -> None:
    """The larger exFAT volume keeps its size; only where NTFS is not enough is it made anew."""
    header = drive(
        [exfat(1, 1, 500, 30), made(2, 501, 400, type=DATA, of={"used_bytes": 30 * MIB})]
    )
    fit = fit_of(header, "800 MiB", tmp_path)
    assert {row.number: row.change for row in fit.partitions} == {1: "same", 2: "shrunk"}
    less = fit_of(header, "520 MiB", tmp_path)
    assert less.fits
    assert rows(less)[1].change == "made_anew"


def test_exfat_when_the_drive_is_larger_then_it_grows_only_if_asked(tmp_path: Path) -> None:
    """To grow it is to make it anew, which nobody needs."""
    header = drive([exfat(1, 1, 900, 30)])
    assert [row.change for row in fit_of(header, "2 GiB", tmp_path).partitions] == ["same"]
    asked = fit_of(header, "2 GiB", tmp_path, grow=1)
    assert [row.change for row in asked.partitions] == ["made_anew"]


@pytest.mark.parametrize("kind", ["exfat", "ntfs"])
def test_screen_when_it_does_not_fit_then_no_layout_looks_as_if_it_did(
    kind: str, tmp_path: Path
) -> None:
    """No picture; a layout only where moving files helps, and then under its own heading."""
    header = drive([made(1, 1, 900, kind, type=DATA, of={"used_bytes": 700 * MIB})])
    fit = fit_of(header, "400 MiB", tmp_path)
    assert not fit.fits
    told = shown(fit)
    assert "PICTURE" not in told
    assert "LAYOUT" not in told.replace("LAYOUT TO AIM FOR", "", 1)
    assert "Not possible yet" in told
    hopeless = fit_of(old_500(), "3 GB", tmp_path)
    assert hopeless.partitions == ()
    assert "LAYOUT" not in shown(hopeless)


def test_extended_partition_when_nothing_in_it_moves_then_it_keeps_its_own_end(
    tmp_path: Path,
) -> None:
    """50 MiB of it behind the last logical partition stay its own."""
    header = drive(
        [
            made(1, 1, 300, active=True, type="07", guid=None, of={"used_bytes": 50 * MIB}),
            made(2, 301, 651, "extended", type="0F", guid=None, container=True),
            made(5, 302, 600, type="07", guid=None, of={"used_bytes": 20 * MIB}),
        ],
        table={"scheme": "mbr"},
    )
    fit = fit_of(header, "1000 MiB", tmp_path)
    assert (rows(fit)[2].start_lba, rows(fit)[2].sectors) == (301 * 2048, 651 * 2048)
    assert {row.change for row in fit.partitions} == {"same"}
    small = fit_of(header, "920 MiB", tmp_path)
    assert rows(small)[2].sectors == 601 * 2048
