"""What a drive reports of its own health, as plain data."""

from __future__ import annotations

from dataclasses import dataclass

from verify.text.field import Text


@dataclass(frozen=True, slots=True, kw_only=True)
class Attribute:
    """An ATA attribute, by its number and the name that the program has for it."""

    id: int
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthAnswer:
    """One answer. `None`: the drive, or the program, did not report it; never zero.

    `reason`: why nothing at all is known. `tool_version`, `exit_status`: of smartctl, whose bits
    smartctl(8) explains ("EXIT STATUS"). `passed`: the result of the drive's own check.

    `hours` it was on; `start_cycles` of its motor, `power_cycles` of its supply; `temperature` in
    degrees Celsius; `percentage_used` of its rated life (may exceed 100); `available_spare` and
    its threshold in per cent; `critical_warning`: bits of NVMe's health log. The rest are counts
    over its life: ATA attributes 5 `reallocated`, 197 `pending`, 198 `offline_uncorrectable`, 187
    `reported_uncorrectable` and 199 `crc_errors` (errors between the drive and what it hangs on);
    NVMe's `media_errors`; SCSI's defect list and errors that were not corrected.

    `failing_now`, `failed_past`: attributes at or below their maker's threshold. `size_bytes` and
    those of blocks: of the drive that answered.
    """

    reason: Text | None = None
    tool_version: str | None = None
    exit_status: int | None = None
    protocol: str | None = None
    device_type: str | None = None
    passed: bool | None = None
    hours: int | None = None
    start_cycles: int | None = None
    power_cycles: int | None = None
    temperature: int | None = None
    reallocated: int | None = None
    pending: int | None = None
    offline_uncorrectable: int | None = None
    reported_uncorrectable: int | None = None
    crc_errors: int | None = None
    percentage_used: int | None = None
    available_spare: int | None = None
    available_spare_threshold: int | None = None
    critical_warning: int | None = None
    media_errors: int | None = None
    scsi_grown_defects: int | None = None
    scsi_uncorrected: int | None = None
    failing_now: tuple[Attribute, ...] = ()
    failed_past: tuple[Attribute, ...] = ()
    size_bytes: int | None = None
    logical_block_bytes: int | None = None
    physical_block_bytes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """What a drive reported before it was read, and `after`; `None` where that was not asked."""

    before: HealthAnswer
    after: HealthAnswer | None = None

    @property
    def latest(self) -> HealthAnswer:
        """The later of the answers that tell anything."""
        return self.before if self.after is None or self.after.reason else self.after
