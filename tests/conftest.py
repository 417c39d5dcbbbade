"""Shared fixtures: the foreign corpus, and skipping by name where a system tool is absent."""

from __future__ import annotations

import os
import shutil
import signal
import sys
from pathlib import Path

import pytest
from hypothesis import settings

from tests.cli.command import Command

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")
"""The same cases in every run: a change is judged by itself, not by luck or a busy machine."""

REPOSITORY = Path(__file__).resolve().parent.parent


ON_WINDOWS = "tests/machine/test_windows_runs.py"
"""The module that Windows alone can run."""

PORTABLE = (
    "tests/archive",
    "tests/machine/test_windows_access.py",
    "tests/machine/test_windows_names.py",
    "tests/machine/test_windows_processes.py",
    ON_WINDOWS,
    "tests/manifest",
    "tests/test_held.py",
    "tests/test_moments.py",
)
"""Rooms and modules of tests that run on Windows as well, by the marker `portable`."""

BOUND = {
    "tests/archive/test_asking.py": "a terminal of POSIX",
    "tests/archive/test_crash.py": "a signal that kills",
    "tests/archive/test_lines.py": "the bounds of a process",
    "tests/archive/test_parquet.py": "duckdb",
}
"""Modules there that do not, and what they need."""


def is_portable(path: Path) -> bool:
    """Whether what is tested there is tested on Windows, too."""
    name = path.relative_to(REPOSITORY).as_posix()
    return name not in BOUND and any(name == one or name.startswith(f"{one}/") for one in PORTABLE)


def pytest_configure() -> None:
    """Take back signals that `nohup` and some CI leave ignored: tests of interrupts need them."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_IGN:
            again = signal.default_int_handler if name == "SIGINT" else signal.SIG_DFL
            signal.signal(number, again)


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Import no other module where these alone are wanted: Windows lacks what some import."""
    if collection_path == REPOSITORY / ON_WINDOWS and sys.platform != "win32":
        return True
    alone = config.option.markexpr == "portable" and collection_path.is_file()
    return True if alone and not is_portable(collection_path) else None


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what runs everywhere; skip what needs a system tool or root that is not here."""
    for item in items:
        bound = any(
            map(item.get_closest_marker, ("posix", "tools", "root"))
        ) or "corpus" in getattr(item, "fixturenames", ())
        if is_portable(item.path) and not bound:
            item.add_marker(pytest.mark.portable)
        marker = item.get_closest_marker("tools")
        missing = [name for name in (marker.args if marker else ()) if not shutil.which(name)]
        if missing:
            item.add_marker(pytest.mark.skip(reason=f"needs {', '.join(missing)}"))
        if item.get_closest_marker("root") and not is_root():
            item.add_marker(pytest.mark.skip(reason="needs root"))


def pytest_addoption(parser: pytest.Parser) -> None:
    """Let a run that has everything say so."""
    parser.addoption("--no-skips", action="store_true", help="a skipped test fails the run")


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Fail a run that must not skip and did; the summary names what was skipped."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    skipped = reporter.stats.get("skipped") if reporter else None
    if skipped and session.config.getoption("--no-skips"):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def is_root() -> bool:
    """Whether this process may set up loop devices and mounts."""
    return hasattr(os, "geteuid") and os.geteuid() == 0


def corpus_folder() -> Path:
    """Where the foreign images are: the folder that DRIVEWITNESS_CORPUS names, else nowhere."""
    return Path(os.environ.get("DRIVEWITNESS_CORPUS") or os.devnull)


@pytest.fixture(scope="session")
def corpus() -> Path:
    """The folder of foreign images; tests that need it skip where it is absent."""
    folder = corpus_folder()
    if not (folder / "expected.json").exists():
        pytest.skip("DRIVEWITNESS_CORPUS names no folder of foreign images")
    return folder


@pytest.fixture(autouse=True)
def nobody(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let no archive, key or settings of this user be found."""
    for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    for name in [name for name in os.environ if name.startswith("DRIVEWITNESS_")]:
        if name != "DRIVEWITNESS_CORPUS":
            monkeypatch.delenv(name)
    monkeypatch.delenv("SUDO_UID", raising=False)


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str]) -> Command:
    """Run the command line in this process and return what came of it."""
    return Command(capsys)
