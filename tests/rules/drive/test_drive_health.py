"""What a drive reports against itself, and interface errors that rose.

Bits of NVMe's critical warning: NVM Express base specification, "SMART / Health Information" (from
memory). Counts from the first one: common practice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.rules.cases import answers, case_of, drive, findings, quiet, usual
from verify.platforms.health import Attribute, Health, HealthAnswer
from verify.rules.drive import drive_health, link_errors
from verify.rules.engine import earn, required_gaps
from verify.rules.rule import Level, Result

if TYPE_CHECKING:
    from verify.manifest.header import Header


HEALTH, LINK = drive_health.RULE, link_errors.RULE


def asked(after: HealthAnswer | None = None, /, **before: Any) -> Header:
    """Return a device that answered; the second time the same, unless said otherwise."""
    usual_one: dict[str, Any] = {"passed": True, "protocol": "ATA", "crc_errors": 7}
    first = HealthAnswer(**usual_one | before)
    header = drive(usual(), kind="device")
    return header.model_copy(update={"health": Health(before=first, after=after or first)})


REPORTED = (
    ({"passed": False}, "it is failing"),
    ({"failing_now": (Attribute(id=5, name="Reallocated"),)}, "attribute 5 (Reallocated)"),
    ({"failed_past": (Attribute(id=3, name="Spin_Up"),)}, "in the past"),
    ({"critical_warning": 0b1}, "spare blocks"),
    ({"critical_warning": 0b10}, "temperature"),
    ({"critical_warning": 0b100}, "unreliable"),
    ({"critical_warning": 0b1000}, "only be read"),
    ({"critical_warning": 0b10000}, "backup of its memory"),
    ({"critical_warning": 0b100000}, "persistent memory"),
    ({"available_spare": 9, "available_spare_threshold": 10}, "9 % of its spare"),
    ({"percentage_used": 100}, "100 % of its rated life"),
    ({"pending": 1}, "1 sector cannot be read"),
    ({"offline_uncorrectable": 2}, "2 sectors could not be read"),
    ({"reported_uncorrectable": 84}, "84 errors could not be corrected"),
    ({"media_errors": 1}, "1 error could not be corrected"),
    ({"scsi_uncorrected": 536}, "536 errors could not be corrected"),
)

SILENT: tuple[dict[str, Any], ...] = (
    {},
    {"reallocated": 304, "hours": 89_214, "temperature": 60, "crc_errors": 12},
    {"available_spare": 10, "available_spare_threshold": 10},
    {"available_spare": 3},
    {"percentage_used": 99, "critical_warning": 0, "media_errors": 0},
    {"pending": 0, "offline_uncorrectable": 0, "reported_uncorrectable": 0},
    {"passed": None, "exit_status": 64},
)


@pytest.mark.parametrize(("fields", "words"), REPORTED)
def test_health_when_a_drive_reports_a_fault_then_the_side_decides(
    fields: dict[str, Any], words: str
) -> None:
    """`review` for the new drive, a note with the advice to read all for the old one."""
    faulty, fine = asked(**fields), asked()
    (new,) = findings(HEALTH, case_of(fine, faulty))
    (old,) = findings(HEALTH, case_of(faulty, fine))
    assert (new.level, old.level) == (Level.REVIEW, Level.NOTE)
    assert words in new.message
    assert words in old.message
    assert "--depth full" in old.advice


@pytest.mark.parametrize("fields", SILENT)
def test_health_when_no_fault_is_reported_then_it_is_quiet(fields: dict[str, Any]) -> None:
    """On both sides of each limit; what only a person may weigh is no finding."""
    assert quiet(HEALTH, case_of(asked(**fields), asked(**fields)))


def test_health_when_it_got_worse_while_it_was_read_then_the_later_answer_counts() -> None:
    """The drive was well before."""
    worse = asked(HealthAnswer(passed=True, pending=1))
    assert len(findings(HEALTH, case_of(asked(), worse))) == 1


UNKNOWN = (
    drive(usual()),
    drive(usual(), kind="device"),
    asked().model_copy(update={"health": Health(before=HealthAnswer(reason="asleep"))}),
)


@pytest.mark.parametrize("header", UNKNOWN)
@pytest.mark.parametrize("rule", [HEALTH, LINK])
def test_rule_when_a_drive_was_not_asked_then_it_was_not_examined(
    rule: Any, header: Header
) -> None:
    """An image, an older manifest, a drive or an adapter that does not answer: with the reason."""
    outcomes, found = rule(case_of(asked(), header))
    assert [item.outcome for item in outcomes] == [Result.NOT_EXAMINED]
    assert "new drive" in str(outcomes[0].reason)
    assert not found


def test_health_when_everything_fails_then_it_never_says_stop() -> None:
    """Neither is required, so `sound` needs none of them; neither says that files were lost."""
    after = HealthAnswer(
        passed=False, protocol="ATA", pending=9, crc_errors=900, critical_warning=63
    )
    worst = asked(after)
    for rule in (HEALTH, LINK):
        assert not rule.required
        outcomes, found = rule(case_of(worst, worst))
        assert {item.level for item in found} <= {Level.REVIEW, Level.NOTE}
        assert earn(found, required_gaps(outcomes, [rule])) == "review"


# Interface errors


def counted(before: int | None, after: int | None, **fields: Any) -> Header:
    """Return a drive that counted so many."""
    second: dict[str, Any] = {"passed": True, "protocol": "ATA", "crc_errors": after}
    return asked(HealthAnswer(**second | fields), **({"crc_errors": before} | fields))


def test_link_when_errors_rose_while_a_drive_was_read_then_it_is_found() -> None:
    """On either drive: both were read through a cable."""
    rose, same = counted(12, 14), counted(12, 12)
    for case, name in ((case_of(rose, same), "old"), (case_of(same, rose), "new")):
        (found,) = findings(LINK, case)
        assert found.level is Level.REVIEW
        assert "from 12 to 14" in found.message
        assert f"2 transfers to or from the {name} drive" in found.message


@pytest.mark.parametrize("count", [0, 12, 3_000_000])
def test_link_when_the_count_stands_then_it_is_quiet(count: int) -> None:
    """Errors of years ago stay counted for the drive's life."""
    assert quiet(LINK, case_of(counted(count, count), counted(count, count)))


@pytest.mark.parametrize(("before", "after"), [(None, 3), (3, None), (3, 2)])
def test_link_when_counts_cannot_be_compared_then_it_was_not_examined(
    before: int | None, after: int | None
) -> None:
    """Missing is missing, never zero; a count that went back was started again."""
    assert answers(LINK, case_of(counted(1, 1), counted(before, after))) == ["not_examined"]


@pytest.mark.parametrize("protocol", ["NVMe", "SCSI"])
def test_link_when_no_drive_counts_then_the_rule_does_not_apply(protocol: str) -> None:
    """NVMe's and SCSI's logs have no such count."""
    none = counted(None, None, protocol=protocol)
    assert answers(LINK, case_of(none, none)) == ["not_applicable"]


def test_link_when_one_drive_was_captured_twice_then_both_captures_are_compared() -> None:
    """From the end of the earlier capture to the start of the later one, whichever side it is."""
    names = {"serial": "QUIRE-7", "serial_source": "drive", "model": "Quire"}

    def at(started: int, header: Header, **changes: Any) -> Header:
        info = header.drive.model_copy(update=names | changes)
        when = header.capture.model_copy(update={"started": started, "ended": started + 10})
        return header.model_copy(update={"drive": info, "capture": when})

    first, then = at(100, counted(5, 5)), at(200, counted(8, 8))
    for case in (case_of(first, then), case_of(then, first)):
        assert ["from 5 to 8" in item.message for item in findings(LINK, case)] == [True]
    for other in ({"serial": "QUIRE-8"}, {"model": "Other"}, {"serial_source": "adapter"}):
        assert not findings(LINK, case_of(first, at(200, counted(8, 8), **other)))
    assert not findings(LINK, case_of(first, at(105, counted(8, 8))))
