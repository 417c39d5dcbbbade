"""The one direction of the code: each folder imports only from those left of it in the flow."""

from __future__ import annotations

import ast
import itertools
from typing import TYPE_CHECKING

import pytest

from tests.conftest import REPOSITORY

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

FLOW = (
    ("text", "errors", "units", "stats", "version", "own_code"),
    ("structs",),
    ("platforms",),
    ("whole_file", "held", "parent"),
    ("settings",),
    ("source",),
    ("table",),
    ("filesystem",),
    ("boot",),
    ("manifest",),
    ("capture",),
    ("machine",),
    ("matching",),
    ("rules",),
    ("fit",),
    ("report",),
    ("archive",),
    ("after",),
    ("audit",),
    ("cli",),
    ("__main__",),
)
"""Rooms of the package from left to right; those in one place may use each other."""

PLACE = {room: place for place, rooms in enumerate(FLOW) for room in rooms}

WRITERS = {
    "verify/whole_file.py",  # a manifest or a report, under another name first
    "verify/held.py",  # what a killed run left, taken away
    "verify/manifest/file.py",  # a manifest's rows
    "verify/capture/read_partitions.py",  # rows of a view, in the scratch folder
    "verify/capture/row_store.py",  # names that wait in the scratch folder
    "verify/capture/volume_capture.py",  # rows of a partition, in the scratch folder
    "verify/capture/listing.py",  # what a helper process listed, in the scratch folder
    "verify/capture/raw_capture.py",  # the same for a partition of raw bytes
    "verify/capture/checkpoint.py",  # what was read so far, beside a manifest to be
    "verify/cli/demo_images.py",  # the demo's own drives
    "verify/archive/archive.py",  # an archive's lock; what is staged gets its name
    "verify/archive/filing.py",  # the files of a job
    "verify/archive/index.py",  # a damaged index, taken away
    "verify/archive/seal.py",  # the shop's key
    "verify/cli/judging.py",  # a manifest that was given, kept beside the other
}
"""Modules that write files, and which: none of them a drive."""

READERS = WRITERS | {
    "verify/capture/resume.py",  # what a capture that was cut off was begun on
    "verify/platforms/platform.py",  # the one opener of drives
    "verify/platforms/posix.py",  # folders, for their owner, and to sync their names
    "verify/platforms/linux/sysfs.py",  # what sysfs tells of drives
    "verify/platforms/linux/drive_identity.py",  # the page of a drive that has its serial number
    "verify/platforms/linux/efi.py",  # start-up entries of the firmware
    "verify/platforms/linux/mounts.py",  # what is mounted
    "verify/platforms/windows/attached.py",  # drives and volumes of Windows, with no right at all
    "verify/platforms/windows/drives.py",  # the same, to read them
    "verify/settings/file.py",  # the settings
    "verify/fit/file.py",  # a fit that was declared
    "verify/capture/readers/helper.py",  # pipes from and to a helper process
    "verify/capture/readers/worker.py",  # the null device, for what a library may print
    "verify/report/comparison_file.py",  # a saved comparison
    "verify/report/letterhead.py",  # the shop's logo
    "verify/report/html.py",  # the report's own style sheet
    "verify/text/catalogue.py",  # the catalogues that are shipped
    "verify/cli/report_files.py",  # what stands where a report is to be written
    "verify/audit/audit_file.py",  # a saved plan or result of an audit
    "verify/archive/entry.py",  # records and seals of an archive
    "verify/cli/output.py",  # the null device, where a closed output is sent
    "verify/cli/ending.py",  # the same, in the place of streams that are closed from the start
}
"""Modules that open anything at all."""

OPENERS = {"open", "fdopen", "mkstemp", "read_bytes", "read_text"}
CHANGERS = {"write_bytes", "write_text", "unlink", "rename", "truncate", "pwrite", "ftruncate"}


def modules() -> list[Path]:
    """Return every module of the package."""
    return sorted((REPOSITORY / "verify").rglob("*.py"))


def name_of(path: Path) -> str:
    """Return a module's path from the repository's root."""
    return path.relative_to(REPOSITORY).as_posix()


def room_of(path: Path) -> str:
    """Return the folder (or top-level module) of the package a module stands in."""
    return path.relative_to(REPOSITORY / "verify").parts[0].removesuffix(".py")


def imported_rooms(path: Path) -> Iterator[tuple[int, str]]:
    """Yield (line, room) of every import from the package, wherever it stands in the module."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Import | ast.ImportFrom):
            continue
        names = [alias.name for alias in node.names]
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name_of(path)}:{node.lineno}: a relative import"
            module = node.module or ""
            names = (
                [f"verify.{alias.name}" for alias in node.names] if module == "verify" else [module]
            )
        for name in names:
            parts = name.split(".")
            if parts[0] == "verify" and len(parts) > 1:
                yield node.lineno, parts[1]


def calls(path: Path) -> Iterator[tuple[int, str]]:
    """Yield (line, name) of every call, whatever it is called on."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            function = node.func
            name = function.id if isinstance(function, ast.Name) else getattr(function, "attr", "")
            yield node.lineno, name


def test_rooms_when_listed_then_each_has_its_place() -> None:
    """A new folder is given its place in the flow before it is used."""
    assert {room_of(path) for path in modules()} - {"__init__"} == set(PLACE)


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_module_when_it_imports_then_only_from_the_left(path: Path) -> None:
    """What comes earlier in the flow never knows what comes later."""
    here = PLACE.get(room_of(path), len(FLOW))
    wrong = [f"line {line}: {room}" for line, room in imported_rooms(path) if PLACE[room] > here]
    assert not wrong, f"{name_of(path)} imports from the right of it"


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_module_when_it_opens_a_file_then_it_is_one_that_may(path: Path) -> None:
    """Drives are opened in one place; manifests, scratch files and docs in a few named ones."""
    found = {name for _, name in calls(path)}
    if name_of(path) not in READERS:
        assert not found & OPENERS
    if name_of(path) not in WRITERS:
        assert not found & CHANGERS


def test_readers_when_listed_then_each_still_opens_something() -> None:
    """A module that no longer opens anything loses its permission."""
    idle = [
        name
        for name in READERS
        if not {call for _, call in calls(REPOSITORY / name)} & (OPENERS | CHANGERS)
    ]
    assert not idle


def test_opener_when_read_then_it_only_asks_to_read() -> None:
    """The flags that could write appear nowhere in the room that opens drives."""
    rooms = [(REPOSITORY / "verify" / name).rglob("*.py") for name in ("source", "platforms")]
    for path in itertools.chain(*rooms):
        names = {getattr(node, "attr", "") for node in ast.walk(ast.parse(path.read_text()))}
        assert not names & {"O_RDWR", "O_WRONLY", "O_CREAT", "O_TRUNC", "O_APPEND"}
        assert not names & CHANGERS


def test_writing_on_windows_when_asked_for_then_it_is_of_a_file_just_made() -> None:
    """CreateFile is asked to write by one function, which is given a file that is open to write."""
    rooms = [(REPOSITORY / "verify" / name).rglob("*.py") for name in ("source", "platforms")]
    paths = [path for path in itertools.chain(*rooms) if "GENERIC_WRITE" in path.read_text()]
    assert [path.relative_to(REPOSITORY).as_posix() for path in paths] == [
        "verify/platforms/windows/files.py"
    ]
    functions = [
        node.name
        for node in ast.walk(ast.parse(paths[0].read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef) and "GENERIC_WRITE" in ast.unparse(node)
    ]
    assert functions == ["open_to_rename"]


def test_command_when_imported_then_no_reader_of_volumes_comes_with_it() -> None:
    """A command imports what it needs when it runs: no room stands above its functions."""
    for path in (REPOSITORY / "verify" / "cli").glob("*.py"):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("verify."):
                room = (node.module or "").split(".")[1]
                assert PLACE[room] < PLACE["source"] or room == "cli", (
                    f"{name_of(path)}:{node.lineno}"
                )
