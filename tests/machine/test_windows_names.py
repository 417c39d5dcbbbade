"""Names that Windows takes for a device, or changes, are no names of results.

Source: Microsoft Learn, "Naming Files, Paths, and Namespaces" (Naming Conventions).
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import pytest

from verify.archive.entry import is_job_name
from verify.cli.capture_request import new_folder, place_for
from verify.errors import UsageError
from verify.platforms.platform import Platform
from verify.platforms.windows.names import allows_name
from verify.whole_file import make_folder, private_file, whole_file

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

DEVICES = ["CON", "PRN", "AUX", "NUL", "COM1", "COM9", "COM\N{SUPERSCRIPT ONE}", "LPT1", "LPT9"]
SIGNS = [*list('<>:"|?*'), "\x00", "\x1f"]
NOT_ALLOWED = [
    *DEVICES,
    *(f"{name.lower()}.json" for name in DEVICES),
    "NUL.tar.gz",
    "nul .json",
    "report.",
    "report ",
    "jobs/NUL",
    "jobs./report.html",
    "jobs /report.html",
    *(f"a report{sign}.html" for sign in SIGNS),
    "old.img:stream",
]
ALLOWED = [
    "report.html",
    "console.json",
    "com.json",
    "COM10.json",
    ".hidden",
    "..\\report.html",
    "./report.html",
    "C:\\jobs\\report.html",
    "C:report.html",
    "\\\\server\\share\\report.html",
    "\\\\?\\C:\\jobs\\report.html",
    "Ein Auftrag (2).json",
]


@pytest.mark.parametrize("name", NOT_ALLOWED)
def test_name_when_windows_would_take_it_for_another_then_it_is_not_allowed(name: str) -> None:
    """Alone, and at the end of a path."""
    assert not allows_name(name)
    assert not allows_name(f"C:\\results\\{name}")


@pytest.mark.parametrize("name", ALLOWED)
def test_name_when_windows_keeps_it_then_it_is_allowed(name: str) -> None:
    """What only looks like one of the others."""
    assert allows_name(name)


class Windows(Platform):
    """A system that allows the names that Windows allows."""

    def allows_name(self, path: Path) -> bool:
        """As Windows does."""
        return allows_name(str(path))


def _write(path: Path) -> None:
    with whole_file(path):
        pass


@pytest.mark.parametrize("name", ["NUL", "report.", "old.img:stream"])
@pytest.mark.parametrize(
    "write",
    [
        _write,
        private_file,
        make_folder,
        lambda path: new_folder(str(path)),
        lambda path: place_for(str(path), (), replace_it=True),
    ],
    ids=["file", "private", "folder", "new-folder", "result"],
)
def test_result_when_its_name_is_not_allowed_then_that_is_wrong_usage(
    write: Callable[[Path], object], name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever is written; where Windows itself runs this, it is asked without a stand-in."""
    if sys.platform != "win32":
        monkeypatch.setattr("verify.whole_file.PLATFORM", Windows())
    with pytest.raises(UsageError, match="Windows does not allow this name"):
        write(tmp_path / name)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", [*DEVICES, "nul.2026", "J-1.", "J-1 ", "J:1", "J?1"])
def test_job_when_windows_does_not_allow_its_name_then_no_system_does(name: str) -> None:
    """An archive may be moved to another system."""
    assert not is_job_name(name)
