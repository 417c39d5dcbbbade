"""Bad input: one clear sentence, the right exit code, no traceback, nothing on standard output."""

from __future__ import annotations

import gzip
import os
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.conftest import is_root

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tests.cli.command import Command

NOBODY = 65534
"""The user without rights on Linux systems (common practice)."""


def _text(path: Path) -> None:
    path.write_text("This is a letter, not a drive.\n" * 60)


BAD: dict[str, tuple[Callable[[Path], object], str]] = {
    "missing": (lambda path: path, "no such file"),
    "folder": (lambda path: path.mkdir(), "is a folder"),
    "empty": (lambda path: path.touch(), "it is empty"),
    "hundred": (lambda path: path.write_bytes(bytes(100)), "less than one sector"),
    "text": (_text, "it is a text file"),
    "pipe": (os.mkfifo, "is a pipe"),
    "zip": (lambda path: path.write_bytes(b"PK\x03\x04" + bytes(range(200)) * 9), "zip"),
    "gzip": (lambda path: path.write_bytes(gzip.compress(os.urandom(4096))), "gzip"),
}


@pytest.mark.parametrize("name", BAD)
@pytest.mark.parametrize("place", ["show", "source", "target", "capture"])
def test_command_when_an_input_is_no_drive_then_one_sentence_and_exit_4(
    name: str, place: str, drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """What was given, and what is wrong with it; the other drive is not read to its end first."""
    make, words = BAD[name]
    path = tmp_path / name
    make(path)
    arguments = {
        "show": ["show", path],
        "source": ["check", path, drives["sound"]],
        "target": ["check", drives["old"], path],
        "capture": ["capture", path, "-o", tmp_path / "made.manifest"],
    }[place]
    command(*arguments).assert_one_sentence(4, str(path), words)
    assert not (tmp_path / "made.manifest").exists()


def test_command_when_a_character_device_is_given_then_it_is_no_drive(command: Command) -> None:
    """The null device holds nothing."""
    command("show", "/dev/null").assert_one_sentence(4, "character device")


def test_command_when_it_may_not_read_then_it_says_how_drives_are_read(
    drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """No permission is a sentence, not a traceback; tried as a user without any."""
    path = tmp_path / "closed.img"
    path.write_bytes(drives["old"].read_bytes()[: 1 << 20])
    path.chmod(0)
    command("show", tmp_path / "none")
    with without_rights():
        ran = command("show", path)
    ran.assert_one_sentence(4, "no permission", "administrator")


def test_command_when_working_files_have_no_place_then_it_says_so(
    drives: dict[str, Path], command: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The system's folder for them is gone, or closed to this user: a sentence, not a fault."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "gone"))
    ran = command("show", drives["old"])
    ran.assert_one_sentence(4, "gone", "could not be written")


@contextmanager
def without_rights() -> Iterator[None]:
    """Act as a user without any for a while; what is imported must be imported before."""
    if not is_root():
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


def _cut(data: bytes) -> bytes:
    return data[: len(data) // 2]


def _flip(data: bytes) -> bytes:
    rows = gzip.decompress(data).replace(b'"size":', b'"sise":', 1)
    return gzip.compress(rows)


def _later(data: bytes) -> bytes:
    return gzip.compress(gzip.decompress(data).replace(b"manifest/1", b"manifest/9", 1))


@pytest.mark.parametrize(
    ("change", "words"),
    [(_cut, "ends early"), (_flip, "altered or damaged"), (_later, "reads up to")],
)
def test_command_when_a_manifest_is_damaged_then_it_is_not_believed(
    change: Callable[[bytes], bytes], words: str, manifest: Path, command: Command, tmp_path: Path
) -> None:
    """Cut short, changed, or of a later schema: each has its own sentence, on every way in."""
    path = tmp_path / "other.manifest"
    path.write_bytes(change(manifest.read_bytes()))
    for arguments in (["show", path], ["compare", manifest, path], ["check", path, manifest]):
        command(*arguments).assert_one_sentence(4, words)


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["no-such-command"],
        ["check"],
        ["check", "only-one"],
        ["check", "a", "b", "c"],
        ["check", "a", "b", "--depth", "deep"],
        ["check", "a", "b", "--retries", "-1"],
        ["check", "a", "b", "--retries", "21"],
        ["identify", "a", "--retries", "999999999999999999999"],
        ["check", "a", "b", "--sample-files", "0"],
        ["check", "a", "b", "--no-such-option"],
        ["capture", "a"],
    ],
)
def test_command_when_called_wrongly_then_the_usage_and_exit_2(
    arguments: list[str], command: Command
) -> None:
    """Nothing is read; one sentence says what is wrong, and a hint where the usage stands."""
    ran = command(*arguments)
    if arguments:
        ran.assert_one_sentence(2, "See `drivewitness")
    else:
        assert ran.code == 2
        assert "Usage: drivewitness" in ran.err + ran.out


@pytest.mark.parametrize("share", ["0", "1", "-0.5", "95"])
def test_check_when_the_confidence_is_no_share_then_exit_2(
    share: str, drives: dict[str, Path], command: Command
) -> None:
    """95 is not 0.95."""
    arguments = ["check", drives["old"], drives["sound"], f"--confidence={share}"]
    command(*arguments).assert_one_sentence(2, "--confidence", "0.95")


def test_capture_when_it_is_to_go_on_at_less_than_full_then_exit_2(
    drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """A sample is soon read again; nothing is left behind by the wrong call."""
    made = tmp_path / "made.manifest"
    ran = command("capture", drives["old"], "-o", made, "--resume")
    ran.assert_one_sentence(2, "--depth full")
    assert list(tmp_path.iterdir()) == []


def test_rules_when_the_name_is_nearly_right_then_the_right_one_is_offered(
    command: Command,
) -> None:
    """A slip of the keyboard is answered with the nearest rules."""
    command("rules", "table-intct").assert_one_sentence(2, "table-intact")


def test_command_when_an_argument_holds_control_characters_then_they_do_nothing(
    command: Command,
) -> None:
    """Names come from drives and scripts; the error that quotes one is harmless too."""
    ran = command("show", "a\x1b[31m\u202eb")
    ran.assert_one_sentence(4, r"a\x1b[31m\u202eb")


@pytest.mark.skipif(not Path("/proc/self/mem").exists(), reason="needs Linux's /proc")
def test_check_when_a_file_has_no_size_then_one_sentence_says_so(command: Command) -> None:
    """A file that cannot be sought to its end is no image (proc(5): /proc/pid/mem)."""
    ran = command("check", "/proc/self/mem", "/proc/self/mem")
    ran.assert_one_sentence(4, "size is not reported")


@pytest.mark.parametrize(
    ("depth", "words"),
    [
        ("layout", "contents, except of files that the computer needs to start"),
        ("sample", "contents outside the sample"),
        ("full", "everything was read"),
    ],
)
def test_show_when_contents_were_left_out_then_it_says_which(
    depth: str, words: str, drives: dict[str, Path], tmp_path: Path, command: Command
) -> None:
    """Only a full reading has read everything."""
    command("capture", drives["old"], "--depth", depth, "-o", tmp_path / "m")
    shown = " ".join(command("show", tmp_path / "m").out.split())
    assert shown.endswith(f"NOT READ {words}")
