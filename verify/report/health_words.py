"""What a drive reports of its own health, in two lines: how it is, and what it counted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.text.message import counted, joined, say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.platforms.health import HealthAnswer
    from verify.text.message import Message

_NOT_KNOWN = say("not known")


def health_facts(health: HealthAnswer | None) -> Iterator[tuple[Message, str]]:
    """Yield (word, value), always the same words; `None`: nobody asked."""
    yield say("health"), _state(health)
    counts = () if health is None else tuple(_counts(health))
    yield say("errors counted"), joined(counts) if counts else _NOT_KNOWN


def _state(health: HealthAnswer | None) -> str:
    if health is None:
        return say("not asked")
    if health.reason is not None:
        return say("not known: {reason}", reason=health.reason)
    return joined(_parts(health))


def _parts(health: HealthAnswer) -> Iterator[str]:
    if health.passed is False:
        yield say("FAILING")
    else:
        yield say("passed its own check") if health.passed else say("no result of its own check")
    if health.hours is not None:
        yield counted("{count:,} hour on", "{count:,} hours on", health.hours)
    if health.start_cycles is not None:
        yield counted("{count:,} motor start", "{count:,} motor starts", health.start_cycles)
    if health.power_cycles is not None:
        yield counted("switched on once", "switched on {count:,} times", health.power_cycles)
    if health.temperature is not None:
        yield say("{degrees} °C", degrees=health.temperature)
    if health.percentage_used is not None:
        yield say("{used} % of its rated life used", used=health.percentage_used)
    if health.available_spare is not None:
        yield say("{spare} % spare blocks left", spare=health.available_spare)


def _counts(health: HealthAnswer) -> Iterator[str]:
    for word, count in (
        (say("replaced sectors"), health.reallocated),
        (say("waiting to be replaced"), health.pending),
        (say("unreadable in its own scan"), health.offline_uncorrectable),
        (say("not corrected"), health.reported_uncorrectable),
        (say("not corrected"), health.media_errors),
        (say("not corrected"), health.scsi_uncorrected),
        (say("replaced blocks"), health.scsi_grown_defects),
        (say("interface errors"), health.crc_errors),
    ):
        if count is not None:
            yield say("{word}: {count:,}", word=word, count=count)
