"""What smartctl's JSON document says of a drive.

Nothing of it is trusted: of any bytes comes an answer, and what has another type than it should is
not reported. Packed raw values are never taken for numbers: hours and temperature come from
fields of their own, and counts as smartctl itself prints them.

Sources: smartctl(8), "EXIT STATUS" and `--json`; the names of fields as in documents of smartctl
7.2 to 7.5; numbers of attributes from smartmontools' drive database (common practice: makers
assign them, no standard does).
"""

from __future__ import annotations

import json
import re
from dataclasses import fields
from typing import TYPE_CHECKING, Any

from verify.platforms.health import Attribute, HealthAnswer
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.text.message import Message

_LARGEST = 1 << 64
_LONGEST = 80
"""Characters kept of any text: names of attributes have under 30."""

_MOST_ATTRIBUTES = 256
"""ATA numbers them with one byte."""

_NOT_OPENED = 0b11
"""Exit bits: the command line did not parse, or the drive was not opened (or sleeps)."""

_FAILING = 0b1000
"""Exit bit: the drive's own check returned that it is failing."""

_SHOWN_COUNT = re.compile(r"\s*(\d{1,20})(?![\dA-Za-z])")
_TEMPERATURES = range(-100, 201)
_DEVICE_FIRST = re.compile(r"^(?:Smartctl open device: )?[/\\]\S*?(?: \[[^]]*\])?:? (?:failed: )?")

_ABOUT_THE_ANSWER = frozenset({"reason", "tool_version", "exit_status", "protocol", "device_type"})
_ABOUT_THE_PLACE = frozenset({"size_bytes", "logical_block_bytes", "physical_block_bytes"})
_HEALTH_FIELDS = tuple(
    field.name
    for field in fields(HealthAnswer)
    if field.name not in _ABOUT_THE_ANSWER | _ABOUT_THE_PLACE
)

NO_DOCUMENT = say("the answer of smartctl cannot be read: it is no JSON document")
ASLEEP = say("the drive is asleep, and was not woken up to be asked")
BRIDGE = say("its USB adapter hides the health of the drive behind it")
FORBIDDEN = say("this user may not ask the drive; an administrator may")
SILENT = say("the drive reports nothing about its health")


def read_health(text: bytes) -> HealthAnswer:
    """Return what a document says; `reason` is set where that is nothing."""
    try:
        document = json.loads(text)
    except (ValueError, RecursionError):
        return HealthAnswer(reason=NO_DOCUMENT)
    if not isinstance(document, dict) or not isinstance(document.get("smartctl"), dict):
        return HealthAnswer(reason=NO_DOCUMENT)
    answer = _answer(document)
    if any(getattr(answer, name) not in (None, ()) for name in _HEALTH_FIELDS):
        return answer
    return HealthAnswer(
        reason=_why_nothing(document, answer.exit_status),
        tool_version=answer.tool_version,
        exit_status=answer.exit_status,
        protocol=answer.protocol,
        device_type=answer.device_type,
    )


def _answer(document: dict[str, Any]) -> HealthAnswer:
    counts = _attribute_counts(document)
    nvme = _at(document, "nvme_smart_health_information_log")
    status = _count(_at(document, "smartctl", "exit_status"))
    passed = _at(document, "smart_status", "passed")
    if not isinstance(passed, bool):
        passed = False if status is not None and status & _FAILING else None
    started = _count(
        _at(document, "scsi_start_stop_cycle_counter", "accumulated_start_stop_cycles")
    )
    temperature = _at(document, "temperature", "current")
    return HealthAnswer(
        tool_version=_version(_at(document, "smartctl", "version")),
        exit_status=status,
        protocol=_text(_at(document, "device", "protocol")),
        device_type=_text(_at(document, "device", "type")),
        passed=passed,
        hours=_count(_at(document, "power_on_time", "hours")),
        start_cycles=counts.get(4, started),
        power_cycles=_count(document.get("power_cycle_count")),
        temperature=temperature
        if _is_whole(temperature) and temperature in _TEMPERATURES
        else None,
        reallocated=counts.get(5),
        pending=counts.get(197),
        offline_uncorrectable=counts.get(198),
        reported_uncorrectable=counts.get(187),
        crc_errors=counts.get(199),
        percentage_used=_count(_at(nvme, "percentage_used")),
        available_spare=_count(_at(nvme, "available_spare")),
        available_spare_threshold=_count(_at(nvme, "available_spare_threshold")),
        critical_warning=_count(_at(nvme, "critical_warning")),
        media_errors=_count(_at(nvme, "media_errors")),
        scsi_grown_defects=_count(document.get("scsi_grown_defect_list")),
        scsi_uncorrected=_scsi_uncorrected(document),
        failing_now=_failed(document, "now"),
        failed_past=_failed(document, "past"),
        size_bytes=_count(
            _at(document, "user_capacity", "bytes") or document.get("nvme_total_capacity")
        ),
        logical_block_bytes=_count(document.get("logical_block_size")),
        physical_block_bytes=_count(document.get("physical_block_size")),
    )


def _at(value: object, *names: str) -> Any:
    """Return what stands under names within each other; `None` where one is not there."""
    for name in names:
        if not isinstance(value, dict):
            return None
        value = value.get(name)
    return value


def _is_whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _count(value: Any) -> int | None:
    return value if _is_whole(value) and 0 <= value < _LARGEST else None


def _text(value: object) -> str | None:
    return value[:_LONGEST] if isinstance(value, str) and value else None


def _version(value: object) -> str | None:
    if not isinstance(value, list) or not all(map(_is_whole, value)):
        return None
    return _text(".".join(map(str, value[:4])))


def _attributes(document: dict[str, Any]) -> Iterator[tuple[int, dict[str, Any]]]:
    table = _at(document, "ata_smart_attributes", "table")
    for row in table[:_MOST_ATTRIBUTES] if isinstance(table, list) else ():
        number = _count(_at(row, "id"))
        if number is not None:
            yield number, row


def _attribute_counts(document: dict[str, Any]) -> dict[int, int]:
    """Return the attributes' counts as smartctl prints them, by their numbers.

    NOTE: a maker may pack further numbers into the raw value ("26 (Min/Max 14/41)"); then the
    number in front is the count. The raw value itself counts only where no text stands beside it.
    """
    counts = {}
    for number, row in _attributes(document):
        raw = _at(row, "raw")
        shown = _at(raw, "string")
        if isinstance(shown, str):
            found = _SHOWN_COUNT.match(shown)
            count = _count(int(found[1])) if found else None
        else:
            count = _count(_at(raw, "value"))
        if count is not None:
            counts[number] = count
    return counts


def _failed(document: dict[str, Any], when: str) -> tuple[Attribute, ...]:
    return tuple(
        Attribute(id=number, name=_text(row.get("name")) or "")
        for number, row in _attributes(document)
        if row.get("when_failed") == when
    )


def _scsi_uncorrected(document: dict[str, Any]) -> int | None:
    """Return errors that were not corrected: of reading, writing and verifying together."""
    log = _at(document, "scsi_error_counter_log")
    kinds = ("read", "write", "verify")
    found = [_count(_at(log, kind, "total_uncorrected_errors")) for kind in kinds]
    known = [count for count in found if count is not None]
    return sum(known) if known else None


def _why_nothing(document: dict[str, Any], status: int | None) -> Message:
    told = [_text(_at(item, "string")) for item in _list(_at(document, "smartctl", "messages"))]
    words = [text for text in told if text is not None]
    together = " ".join(words)
    for sign, reason in (
        ("STANDBY", ASLEEP),
        ("SLEEP mode", ASLEEP),
        ("USB bridge", BRIDGE),
        ("Permission denied", FORBIDDEN),
        ("Operation not permitted", FORBIDDEN),
    ):
        if sign in together:
            return reason
    if words:
        # NOTE: the path in front is known, and belongs in no report to a customer.
        said = _DEVICE_FIRST.sub("", words[0], count=1) or words[0]
        return say("smartctl answers: {words}", words=said)
    if status is not None and status & _NOT_OPENED:
        return say("smartctl could not ask the drive (exit status {status})", status=status)
    return SILENT


def _list(value: object) -> list[Any]:
    return value[:_MOST_ATTRIBUTES] if isinstance(value, list) else []
