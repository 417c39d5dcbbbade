"""Nothing is written onto a drive that is read: held before the first read of it."""

import os
import stat
import sys
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path

from verify.errors import UsageError
from verify.text.message import say

_ELSEWHERE = say("Nothing is written to a drive that is read. Name a place on another drive.")
_TEMPORARY = say(
    "Temporary files would be written there. Set --scratch, or TMPDIR, to a folder on another"
    " drive, or to one in memory such as /dev/shm."
)

_TEMPORARY_VARIABLES = ("TMPDIR", "TEMP", "TMP")
_TEMPORARY_FOLDERS = ("/tmp", "/var/tmp", "/usr/tmp")  # noqa: S108 - where tempfile looks


def keep_off(
    reads: Iterable[str],
    writes: Iterable[str | Path | None] = (),
    *,
    scratch: str | None = None,
    working: bool = True,
) -> None:
    """Hold that nothing which a command writes lies on a drive that it reads.

    Args:
        reads: what it was given: devices, images and manifests, which are no drives.
        writes: files and folders of results, there or not; `None` for one that was not asked for.
        scratch: the folder for working files that was named.
        working: whether it has working files.

    Raises:
        UsageError: one lies on a mount of one.
    """
    from verify.manifest.file import is_manifest
    from verify.platforms.this import PLATFORM

    drives = [path for path in reads if not is_manifest(path)]
    if not drives:
        return
    tell_untried(drives)
    _hold_settings_elsewhere(drives)
    places = [(str(place), _ELSEWHERE) for place in writes if place is not None]
    places += [(name, _ELSEWHERE) for name in _standard_streams()]
    if working:
        places.append((scratch or _temporary_folder(), _TEMPORARY))
    for place, advice in places:
        if (drive := PLATFORM.written_onto(Path(place), drives)) is not None:
            raise UsageError(
                say("{place}: lies on {drive}, which is being read.", place=place, drive=drive),
                advice,
            )


def _hold_settings_elsewhere(drives: list[str]) -> None:
    """Hold that the settings do not come from a drive that is read, which is a stranger's."""
    from verify.platforms.this import PLATFORM
    from verify.settings.file import FILE_VARIABLE
    from verify.settings.settings import in_force

    file = in_force().file
    if file is None or (drive := PLATFORM.written_onto(file, drives)) is None:
        return
    raise UsageError(
        say(
            "{file}: the settings file lies on {drive}, which is being read.",
            file=str(file),
            drive=drive,
        ),
        say(
            "Set {variable} to a settings file on another drive, or to nothing: then none is read.",
            variable=FILE_VARIABLE,
        ),
    )


def tell_untried(drives: Iterable[str]) -> None:
    """Say once on standard error what was never tried of reading such drives on this system."""
    from verify.platforms.this import PLATFORM
    from verify.text.language import translated

    for sentence in dict.fromkeys(filter(None, map(PLATFORM.untried, drives))):
        sys.stderr.write(f"{translated(sentence)}\n")


def _temporary_folder() -> str:
    """Return where working files would go.

    NOTE: `tempfile.gettempdir` finds out by writing a file there, which is just what must not be.
    """
    named = [place for name in _TEMPORARY_VARIABLES if (place := os.environ.get(name))]
    folders = [tempfile.tempdir or "", *named, *_TEMPORARY_FOLDERS]
    usable = (place for place in folders if place and os.access(place, os.W_OK | os.X_OK))
    return next(usable, ".")


def _standard_streams() -> Iterator[str]:
    """Yield the files that the shell was told to put what is printed into."""
    from verify.platforms.this import PLATFORM

    for number in (1, 2):
        try:
            is_file = stat.S_ISREG(os.fstat(number).st_mode)
        except OSError:  # it is closed
            continue
        if is_file and (path := PLATFORM.path_of(number)) is not None:
            yield path
