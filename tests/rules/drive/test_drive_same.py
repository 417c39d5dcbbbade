"""Two drives, or one that was given twice."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.rules.cases import (
    answers,
    case_of,
    drive,
    quiet,
    told,
    usual,
)
from verify.rules.drive import drive_same

if TYPE_CHECKING:
    from verify.manifest.header import Header

SAME = drive_same.RULE


def image(file_id: str | None, **changes: Any) -> Header:
    """Return an image file of an identity."""
    return drive(usual(), file_id=file_id, **changes)


def device(serial: str | None, **changes: Any) -> Header:
    """Return a device that gives a serial."""
    return drive(usual(), kind="device", serial=serial, **({"serial_source": "drive"} | changes))


def test_same_when_two_files_are_one_then_it_is_stop() -> None:
    """Every other rule would say `same`."""
    assert told(SAME, case_of(image("8:1:7"), image("8:1:7"))) == [("stop", None)]


def test_same_when_a_copy_lies_in_another_file_then_it_is_quiet() -> None:
    """docs/rules/drive-same.md: a byte-for-byte copy elsewhere is a clone, and a good one."""
    assert quiet(SAME, case_of(image("8:1:7"), image("8:1:8")))


def test_same_when_the_files_were_read_on_two_machines_then_their_identities_say_nothing() -> None:
    """A file's identity is that machine's own."""
    assert quiet(SAME, case_of(image("8:1:7"), image("8:1:7", capture={"host": "till"})))


def test_same_when_a_file_and_a_device_are_compared_then_they_are_two() -> None:
    """They are two, unless the device is a loop over that very file."""
    assert quiet(SAME, case_of(image("file:8:1"), device("S1", file_id="device:7:0")))
    loop = device("S1", file_id="device:7:0", backing_id="file:8:1")
    assert told(SAME, case_of(image("file:8:1"), loop)) == [("stop", None)]


def test_same_when_both_devices_give_one_serial_then_it_is_stop() -> None:
    """Two serials are two drives; the same under two models is not certain."""
    assert told(SAME, case_of(device("S1"), device("S1"))) == [("stop", None)]
    assert quiet(SAME, case_of(device("S1"), device("S2")))
    two_models = case_of(device("S1", model="Alder"), device("S1", model="Birch"))
    assert answers(SAME, two_models) == ["not_examined"]


@pytest.mark.parametrize(
    ("serial", "by"), [(None, "drive"), ("S1", "adapter"), ("0000000", "drive")]
)
def test_same_when_there_is_no_serial_of_its_own_then_it_is_not_examined(
    serial: str | None, by: str
) -> None:
    """docs/rules/drive-same.md: these cannot be told from one that was read twice."""
    case = case_of(
        device(serial, serial_source=by, file_id="8:0"),
        device(serial, serial_source=by, file_id="8:16", capture={"started": 900, "ended": 950}),
    )
    assert answers(SAME, case) == ["not_examined"]


NOW, LATER = {"started": 100, "ended": 200}, {"started": 201, "ended": 300}
BEFORE = {"started": 10, "ended": 99}


@pytest.mark.parametrize(
    ("old", "new", "capture", "expected"),
    [
        ((None, "8:0"), (None, "8:0"), NOW, "different"),
        ((None, "8:0"), (None, "8:0"), LATER, "not_examined"),
        ((None, "8:0"), (None, "8:0"), BEFORE, "not_examined"),
        ((None, "8:0"), (None, "8:0"), NOW | {"host": "till"}, "not_examined"),
        (("S1", "8:0"), (None, "8:16"), NOW, "same"),
        (("S1", "8:0"), (None, "8:16"), LATER, "not_examined"),
        (("S1", "8:0"), (None, "8:16"), BEFORE, "not_examined"),
        (("S1", "8:0"), (None, "8:16"), NOW | {"host": "till"}, "not_examined"),
        ((None, "8:0"), (None, "8:16"), NOW, "not_examined"),
    ],
)
def test_same_when_a_serial_lacks_then_only_two_readings_at_one_time_tell(
    old: tuple[str | None, str],
    new: tuple[str | None, str],
    capture: dict[str, Any],
    expected: str,
) -> None:
    """A device's name is given to the next one, but not while the first is attached."""
    case = case_of(device(old[0], file_id=old[1]), device(new[0], file_id=new[1], capture=capture))
    assert answers(SAME, case) == [expected]


def test_same_when_the_system_does_not_tell_a_file_s_identity_then_it_is_not_examined() -> None:
    """Two paths may be one file."""
    assert answers(SAME, case_of(image(None), image("8:1:7"))) == ["not_examined"]
    assert answers(SAME, case_of(image("8:1:7"), image(None))) == ["not_examined"]
