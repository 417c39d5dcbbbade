"""Asking a drive for its health: what is run, what it may take, and what comes of any answer."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.report.documents import OLD
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions, Environment
from verify.machine.look import attached_drives
from verify.platforms import smartctl
from verify.platforms.health import HealthAnswer
from verify.platforms.health_document import (
    ASLEEP,
    BRIDGE,
    FORBIDDEN,
    NO_DOCUMENT,
    SILENT,
    read_health,
)
from verify.platforms.linux.system import Linux
from verify.platforms.platform import Platform
from verify.platforms.posix import Posix
from verify.platforms.running_machine import SeenDrive

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

Reading = dict[str, Any]


def document(*messages: str, status: int = 0, **fields: Any) -> bytes:
    """Return a document as smartctl 7.3 writes it."""
    told = [{"string": text, "severity": "error"} for text in messages]
    head = {"version": [7, 3], "messages": told, "exit_status": status}
    return json.dumps({"smartctl": head, **fields}).encode()


def attribute(number: int, value: int, shown: str | None = None) -> Reading:
    """Return a table with one attribute."""
    raw = {"value": value, "string": str(value) if shown is None else shown}
    row = {"id": number, "name": "Some_Attribute", "when_failed": "", "raw": raw}
    return {"ata_smart_attributes": {"table": [row]}}


# What an answer says


@pytest.mark.parametrize(
    ("messages", "status", "reason"),
    [
        # Texts of smartctl 7.3, by `strings` of the program and its users' reports.
        (("/dev/sdb: Unknown USB bridge [0x1234:0x5678 (0x100)]",), 1, BRIDGE),
        (("Device is in STANDBY mode, exit(2)",), 2, ASLEEP),
        (("Smartctl open device: /dev/sda failed: Permission denied",), 2, FORBIDDEN),
        (("Smartctl open device: /dev/sda failed: No such device",), 2, "No such device"),
        (("/dev/loop0: Unable to detect device type",), 1, "Unable to detect device type"),
        ((), 2, "exit status 2"),
        ((), 0, SILENT),
    ],
)
def test_answer_when_nothing_is_known_then_it_says_why(
    messages: tuple[str, ...], status: int, reason: str
) -> None:
    """Never the path, which a report to a customer would have to hide."""
    answer = read_health(document(*messages, status=status))
    assert reason in str(answer.reason)
    assert "/dev" not in str(answer.reason)
    assert (answer.tool_version, answer.exit_status) == ("7.3", status)


@pytest.mark.parametrize(
    "text", [b"", b"smartctl 7.3", b"[]", b"{}", b"\xff\xfe", b"[" * 100_000, b'{"smartctl": 7}']
)
def test_answer_when_it_is_no_document_then_it_says_so(text: bytes) -> None:
    """One sentence, whatever came."""
    assert read_health(text).reason == NO_DOCUMENT


@pytest.mark.parametrize(
    ("value", "shown", "count"),
    [
        (12, "12", 12),
        (131_072_000, "0 (2000 0)", 0),  # smartctl(8), `raw16(raw16)`: the rest is packed above
        (7, "0x000000000007", None),
        (1 << 70, str(1 << 70), None),
    ],
)
def test_count_when_a_raw_value_is_packed_then_the_number_in_front_counts(
    value: int, shown: str, count: int | None
) -> None:
    """The raw value has 48 bits, and a maker puts into them what he likes."""
    assert read_health(document(**attribute(5, value, shown), power_cycle_count=1)).reallocated == (
        count
    )


def test_hours_when_only_a_raw_attribute_has_them_then_they_are_not_known() -> None:
    """Attributes 9 and 194 pack minutes, extremes and more into one value."""
    answer = read_health(document(**attribute(9, 9_000_000_000), power_cycle_count=1))
    assert (answer.hours, answer.temperature) == (None, None)


def test_check_when_only_the_exit_bit_says_failing_then_the_drive_failed() -> None:
    """smartctl(8), "EXIT STATUS", bit 3."""
    assert read_health(document(status=8, power_cycle_count=1)).passed is False


# What is run


class Shop(Platform):
    """A system whose programs lie in one folder."""

    def __init__(self, folder: Path) -> None:
        """Take the folder."""
        self.program_folders = (str(folder),)


@pytest.fixture
def program(tmp_path: Path) -> Callable[[str], Shop]:
    """Put a program of Python in the place of smartctl."""

    def make(code: str) -> Shop:
        path = tmp_path / "smartctl"
        path.write_text(f"#!{sys.executable}\n{code}\n", encoding="utf-8")
        path.chmod(0o755)
        return Shop(tmp_path)

    return make


def test_program_when_run_then_it_gets_the_device_and_no_environment(
    program: Callable[[str], Shop], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its own options, the path last, and none of the user's variables."""
    monkeypatch.setenv("LD_PRELOAD_OF_SOMEBODY", "x")
    told = (
        "import json, os, sys\n"
        "print(json.dumps({'smartctl': {'messages': [{'string': ' '.join(sys.argv[1:])\n"
        " + ' ' + ','.join(sorted(os.environ))}]}}))"
    )
    answer = program(told).health("/dev/null")
    words = str(answer.reason)
    assert "--json=c -n standby -i -H -A -l error /dev/null LC_" in words
    assert "SOMEBODY" not in words
    assert "PATH" not in words
    assert not {"-t", "--test", "-s", "--set"} & set(smartctl.QUESTION)


@pytest.mark.parametrize(
    ("code", "reason"),
    [
        ("import time; time.sleep(60)", "did not answer"),
        ("while True: print('x' * 100_000)", "more than it ever should"),
        ("raise SystemExit(3)", "no JSON document"),
    ],
)
def test_program_when_it_hangs_floods_or_dies_then_it_is_ended_and_said(
    code: str, reason: str, program: Callable[[str], Shop], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bounded in time and in length."""
    monkeypatch.setattr(smartctl, "PATIENCE_SECONDS", 3.0)
    began = time.monotonic()
    assert reason in str(program(code).health("/dev/null").reason)
    assert time.monotonic() - began < 30


def test_program_when_it_is_missing_or_cannot_start_then_it_is_said(tmp_path: Path) -> None:
    """It is optional."""
    assert Shop(tmp_path).health("/dev/null").reason == smartctl.MISSING
    assert Platform().health("/dev/null").reason == smartctl.MISSING
    (tmp_path / "smartctl").write_bytes(b"\0")
    assert "could not be started" in str(Shop(tmp_path).health("/dev/null").reason)


def test_program_when_others_may_change_it_then_it_is_not_run(tmp_path: Path) -> None:
    """Whoever may write to it, or to a folder that leads to it, would run code as root."""
    folder = tmp_path / "programs"
    folder.mkdir()
    program = folder / "smartctl"
    program.write_text(f"#!/bin/sh\ntouch {tmp_path}/ran\n", encoding="utf-8")
    program.chmod(0o777)

    class Bench(Posix):
        program_folders = (str(folder),)

    assert Bench().health("/dev/null").reason == smartctl.UNSAFE
    assert not (tmp_path / "ran").exists()
    assert not Posix().is_safe_program(tmp_path / "missing")
    assert Posix().is_safe_program(Path("/bin/sh"))


# Real answers, and what a capture keeps


@pytest.fixture
def loop(tmp_path: Path) -> Iterator[str]:
    """Attach an empty drive."""
    image = tmp_path / "empty.img"
    with image.open("wb") as file:
        file.truncate(8 << 20)
    command = ["losetup", "--read-only", "--find", "--show", str(image)]
    device = subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()
    yield device
    subprocess.run(["losetup", "--detach", device], check=True)


@pytest.mark.root
@pytest.mark.tools("losetup", "smartctl")
def test_loop_device_when_asked_then_smartctl_itself_says_no(loop: str) -> None:
    """A loop device has no health; the program's own words, its version and its exit bit."""
    answer = Linux().health(loop)
    assert str(answer.reason) == "smartctl answers: Unable to detect device type"
    assert answer.exit_status == 1
    text = subprocess.run(["smartctl", "-V"], check=True, capture_output=True, text=True).stdout
    assert text.startswith(f"smartctl {answer.tool_version} ")


@pytest.mark.root
@pytest.mark.tools("losetup", "smartctl", "strace")
def test_device_when_asked_then_it_is_never_opened_to_write(loop: str, tmp_path: Path) -> None:
    """The kernel's record of every call that names the device."""
    record = tmp_path / "record"
    command = ["strace", "-f", "-o", str(record), "-e", "trace=open,openat,openat2"]
    subprocess.run([*command, "smartctl", *smartctl.QUESTION, loop], check=False)
    lines = record.read_text(errors="replace").splitlines()
    assert lines
    assert not [line for line in lines if loop in line and "O_RDONLY" not in line]


@pytest.mark.root
@pytest.mark.tools("losetup")
def test_capture_when_of_a_device_then_it_asks_before_and_after(loop: str, tmp_path: Path) -> None:
    """What was counted while the drive was read is in its manifest."""
    answers = iter([HealthAnswer(crc_errors=3), HealthAnswer(crc_errors=5)])
    asked: list[str] = []

    def ask(name: str) -> HealthAnswer:
        asked.append(name)
        return next(answers)

    options = CaptureOptions(depth="layout", looking=True)
    header = capture(loop, tmp_path / "m", options, environment=Environment(health=ask))
    assert asked == [loop, loop]
    assert header.health is not None
    assert header.health.before.crc_errors == 3
    assert header.health.latest.crc_errors == 5


def test_capture_when_of_an_image_then_nobody_is_asked(tmp_path: Path) -> None:
    """An image has no health; and a manifest of before there was this field has none, either."""
    image = tmp_path / "drive.img"
    image.write_bytes(bytes(1 << 20))

    def ask(name: str) -> HealthAnswer:
        raise AssertionError(name)

    options = CaptureOptions(depth="layout", looking=True)
    header = capture(str(image), tmp_path / "m", options, environment=Environment(health=ask))
    assert header.health is None
    assert OLD.health is None


def test_drives_when_asked_for_their_health_then_each_has_its_own(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """By their paths; and none is asked where no drive is to be opened."""

    class Bench(Platform):
        def drives(self, *, every_sort: bool) -> tuple[SeenDrive, ...]:  # noqa: ARG002
            return tuple(SeenDrive(name=n, path=f"/dev/{n}", size_bytes=512) for n in ("a", "b"))

        def health(self, name: str) -> HealthAnswer:
            return HealthAnswer(reason=name)

    monkeypatch.setattr("verify.machine.look.PLATFORM", Bench())
    told = [drive.health for drive in attached_drives(asking=True)]
    assert told == [HealthAnswer(reason="/dev/a"), HealthAnswer(reason="/dev/b")]
    assert [drive.health for drive in attached_drives()] == [None, None]
