"""What differs between systems stands in one room, a file a system.

What only some systems have is taken from typeshed's stubs (which mypy ships), not from a list of
ours: what a name is declared for on Linux and not on Windows.
"""

from __future__ import annotations

import ast
import importlib.util
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest

from tests.repo.test_imports import modules, name_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

ROOM = "verify/platforms/"
"""Where modules stand that use what not every system has."""

PORTABLE = {"verify/platforms/__init__.py", "verify/platforms/identity.py"} | {
    "verify/platforms/health.py",
    "verify/platforms/health_document.py",
    "verify/platforms/opened.py",
    "verify/platforms/platform.py",
    "verify/platforms/running_machine.py",
    "verify/platforms/smartctl.py",
    "verify/platforms/whole_sectors.py",
}
"""Modules of that room that have to work on a system that nothing is known of."""

NOT_EVERYWHERE = {
    "ctypes",
    "fcntl",
    "grp",
    "msvcrt",
    "posix",
    "psutil",
    "pwd",
    "resource",
    "winreg",
}
"""Modules of Python for one sort of system (library reference, "Availability"), one that speaks to
the system's own library, and one that refuses to be imported on a system it does not know."""

KERNEL_FILES = ("/proc", "/sys")
FLAGS = {"O_NOFOLLOW", "O_NONBLOCK", "O_DIRECTORY", "O_CLOEXEC", "O_BINARY"}
"""Flags of `os.open`, which the stubs declare everywhere (library reference: "the constants below
are only available on Unix", and on Windows)."""

OLDEST = (3, 11)


def declared(module: str, system: str) -> set[str]:
    """Return the names that typeshed declares in a module for a system, under the oldest Python."""
    spec = importlib.util.find_spec("mypy")
    assert spec is not None
    assert spec.submodule_search_locations
    stub = Path(spec.submodule_search_locations[0]) / "typeshed/stdlib" / module
    scope = {"sys": SimpleNamespace(platform=system, version_info=OLDEST)}
    return set(_names(ast.parse(stub.read_text(encoding="utf-8")).body, scope))


def _names(body: Sequence[ast.stmt], scope: dict[str, SimpleNamespace]) -> Iterator[str]:
    for node in body:
        if isinstance(node, ast.If):
            met = eval(ast.unparse(node.test), scope)  # noqa: S307 - a stub's own condition
            yield from _names(node.body if met else node.orelse, scope)
        elif isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            yield node.target.id


OF_SOME_SYSTEMS = {
    "os": (declared("os/__init__.pyi", "linux") - declared("os/__init__.pyi", "win32")) | FLAGS,
    "errno": declared("errno.pyi", "linux") - declared("errno.pyi", "win32"),
    "sys": {"platform", "getwindowsversion"},
}


def asked(path: Path) -> Iterator[str]:
    """Yield what a module uses that not every system has."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name in NOT_EVERYWHERE)
        elif isinstance(node, ast.ImportFrom) and node.module in NOT_EVERYWHERE:
            yield node.module
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            of = node.value.id
            if node.attr in OF_SOME_SYSTEMS.get(of, ()) or (of, node.attr) == ("os", "name"):
                yield f"{of}.{node.attr}"
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
            yield from (
                text for start in KERNEL_FILES if text == start or text.startswith(start + "/")
            )


def test_stubs_when_read_then_they_tell_what_they_are_known_to() -> None:
    """Python's library reference: these are "Availability: Unix", those are everywhere."""
    some = OF_SOME_SYSTEMS["os"]
    assert some >= {"pread", "major", "minor", "geteuid", "fchown", "fwalk", "fork", "mknod"}
    assert not {"open", "fstat", "lseek", "read", "fsync", "replace", "link", "getpid"} & some
    assert "EREMOTEIO" in OF_SOME_SYSTEMS["errno"]
    assert not {"EIO", "EMLINK", "EINVAL"} & OF_SOME_SYSTEMS["errno"]


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_module_when_it_asks_a_system_then_it_is_that_systems_own(path: Path) -> None:
    """The next system is one file."""
    if name_of(path) in PORTABLE or not name_of(path).startswith(ROOM):
        assert not set(asked(path))


def test_room_when_searched_then_there_is_something_to_find() -> None:
    """A search that finds nothing anywhere would hold nothing."""
    found = {name for path in modules() for name in asked(path)}
    assert found >= {"fcntl", "psutil", "os.pread", "os.major", "errno.EREMOTEIO", "sys.platform"}
