"""How a drive is read, and what a capture asks its surroundings for."""

from __future__ import annotations

import platform
import secrets
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from verify.capture.readers.isolate import Readers
from verify.capture.readers.task import Depth
from verify.manifest.draw import DEFAULT_SEED
from verify.manifest.header import GivenAs
from verify.platforms.health import HealthAnswer
from verify.platforms.this import PLATFORM
from verify.stats import TOLERABLE_SHARE, sample_size

_SPARE_DRAW = 1.05
"""Drawn beyond what the share asks for, since some names stand on one side only."""

_SALT_BYTES = 16
"""128 bits: nobody tries them all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureOptions:
    """How a drive is read.

    `confidence` in (0, 1); `sample_files`/`sample_blocks`: how many are drawn a partition, `None`
    for as many as exclude 0.1 % at that confidence; `scratch`: a folder for listings that wait,
    about 300 bytes a file, `None` for the system's; `retries`: of a failing read; `resume`:
    note beside the manifest what was read, and go on from what was noted before. `views`: the
    path of an unlocked view of an encrypted partition, by the partition's number. `given_as`: what
    the person says it is; `looking`: nothing is judged by it, so that one partition will do.
    `replace`: the manifest may replace what stands under its name by the time that it is written.
    `places`: where partitions of the other drive begin, in bytes.
    """

    depth: Depth = "sample"
    seed: str = DEFAULT_SEED
    confidence: float = 0.95
    sample_files: int | None = None
    sample_blocks: int | None = None
    scratch: Path | None = None
    retries: int = 1
    resume: bool = False
    views: Mapping[int, str] = field(default_factory=dict)
    given_as: GivenAs | None = None
    looking: bool = False
    replace: bool = False
    places: tuple[int, ...] = ()

    @property
    def default_sample_size(self) -> int:
        """How many files or blocks a partition are drawn where no number is given."""
        return round(_SPARE_DRAW * sample_size(self.confidence, TOLERABLE_SHARE))


@dataclass(slots=True)
class Environment:
    """What a capture is not to ask the world itself for: clock, host, chance, the readers.

    `health` of a device, by its name.
    """

    clock: Callable[[], float] = time.time
    host: str = field(default_factory=platform.node)
    name_salt: str = field(default_factory=lambda: secrets.token_hex(_SALT_BYTES))
    health: Callable[[str], HealthAnswer] = field(default_factory=lambda: PLATFORM.health)
    readers: Readers = field(default_factory=Readers)
