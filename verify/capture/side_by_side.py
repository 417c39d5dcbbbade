"""Capturing two drives side by side, and ending both at once when asked to."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from pathlib import Path

from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions, Environment
from verify.capture.progress import Progress
from verify.capture.remains import places_on
from verify.manifest.base import SOURCE_NAME, TARGET_NAME
from verify.manifest.file import is_manifest
from verify.manifest.header import Header

_LOOK_SECONDS = 0.1


@dataclass(slots=True)
class _Side:
    """One drive being captured in a thread of its own; waiting for it can be given up."""

    path: str
    output: Path
    options: CaptureOptions
    progress: Progress
    environment: Environment
    headers: list[Header] = field(default_factory=list)
    failure: BaseException | None = None
    thread: threading.Thread = field(init=False)

    def __post_init__(self) -> None:
        """Make the thread; a daemon, since a read that hangs in the kernel never returns."""
        self.thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        try:
            header = capture(
                self.path,
                self.output,
                self.options,
                progress=self.progress,
                environment=self.environment,
            )
            self.headers.append(header)
        except BaseException as error:  # noqa: BLE001
            self.failure = error


def capture_both(
    source: str,
    target: str,
    folder: Path,
    options: tuple[CaptureOptions, CaptureOptions],
    progress: tuple[Progress, Progress],
) -> tuple[Path, Path]:
    """Capture both drives at the same time into `folder`; a side that is a manifest is left as is.

    `options` and `progress`: each side's.

    Raises:
        SourceError, OutputError: of the side that failed first; the other one is ended.
    """
    environment = Environment()
    paths: list[Path] = []
    sides: list[_Side] = []
    names, others = (SOURCE_NAME, TARGET_NAME), (target, source)
    for path, other, name, own, bar in zip(
        (source, target), others, names, options, progress, strict=True
    ):
        if is_manifest(path):
            paths.append(Path(path))
            continue
        paths.append(folder / name)
        seeing = replace(own, places=places_on(other))
        sides.append(_Side(path, paths[-1], seeing, bar, environment))
    _run_all(sides, environment)
    return paths[0], paths[1]


def capture_one(path: str, output: Path, options: CaptureOptions, progress: Progress) -> Header:
    """Capture one drive such that an interrupt ends it at once; return the manifest's header.

    Raises:
        SourceError, OutputError: as `capture` does.
    """
    environment = Environment()
    (header,) = _run_all([_Side(path, output, options, progress, environment)], environment)
    return header


def _run_all(sides: list[_Side], environment: Environment) -> list[Header]:
    """Run all sides to their end, or raise the first failure and let go of the rest."""
    try:
        for side in sides:
            side.thread.start()
        while any(side.thread.is_alive() for side in sides):
            for side in sides:
                side.thread.join(_LOOK_SECONDS)
            if any(side.failure for side in sides):
                break
        failure = next((side.failure for side in sides if side.failure), None)
        if failure is not None:
            raise failure
        return [header for side in sides for header in side.headers]
    finally:
        environment.readers.stop()
        for side in sides:
            if side.thread.ident is not None:
                side.thread.join(_LOOK_SECONDS * 5)
