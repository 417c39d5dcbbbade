"""A run that is ended from outside leaves nothing; what SIGKILL leaves goes with a later run."""

from __future__ import annotations

import contextlib
import os
import shlex
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import psutil
import pytest

from tests.archive.small import archive_of, filed, pair
from tests.conftest import REPOSITORY
from verify.held import WORKING, WorkingFolder
from verify.whole_file import whole_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

PATIENCE_SECONDS = 60.0
AT_ONCE_SECONDS = 0.5
"""How long a reader may be seen after its parent's end: less than a piece of work takes it."""

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and locks of Unix")


def begin(
    *arguments: object, before: Callable[[], object] | None = None, stream: int = subprocess.DEVNULL
) -> subprocess.Popen[str]:
    """Start the command in a process of its own; `before` runs in it first."""
    return subprocess.Popen(
        [sys.executable, "-m", "verify", *map(str, arguments)],
        cwd=REPOSITORY,
        stdout=stream,
        stderr=stream,
        text=True,
        preexec_fn=before,  # noqa: PLW1509 - no threads here
    )


def wait_for(what: Callable[[], object], seconds: float = PATIENCE_SECONDS) -> None:
    """Wait until it is so."""
    deadline = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.005)


LOST = """
import signal, time
from verify.cli.ending import Ended, end_when_told
class Cleared:
    def __del__(self):
        signal.raise_signal(signal.SIGTERM)
end_when_told()
try:
    del [Cleared()][0]
    time.sleep(20)
except Ended:
    print("ended")
"""


def test_signal_when_it_comes_as_an_object_is_cleared_away_then_the_run_still_ends() -> None:
    """Python ignores errors raised there (data model, `object.__del__`), so they are repeated."""
    done = subprocess.run(
        [sys.executable, "-c", LOST], check=False, cwd=REPOSITORY, capture_output=True, timeout=60
    )
    assert (done.stdout, done.stderr) == (b"ended\n", b"")


def workers(process: subprocess.Popen[str]) -> list[psutil.Process]:
    """Return the processes that work for this one."""
    return psutil.Process(process.pid).children(recursive=True)


def alive(processes: list[psutil.Process]) -> list[psutil.Process]:
    """Return those that still run."""
    left = []
    for process in processes:
        with contextlib.suppress(psutil.NoSuchProcess):
            if process.status() != psutil.STATUS_ZOMBIE:
                left.append(process)
    return left


@pytest.fixture
def large(tmp_path: Path) -> Path:
    """A drive of zeros whose reading takes longer than any test: a hole of 64 GiB."""
    image = tmp_path / "large.img"
    with image.open("wb") as file:
        file.truncate(64 << 30)
    return image


@pytest.fixture
def places(tmp_path: Path) -> tuple[Path, Path]:
    """A folder for working files, and one for results."""
    scratch, made = tmp_path / "scratch", tmp_path / "made"
    scratch.mkdir()
    made.mkdir()
    return scratch, made


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_check_when_ended_by_a_signal_then_exit_130_and_nothing_is_left(
    name: str, drives: dict[str, Path], places: tuple[Path, Path]
) -> None:
    """As Ctrl-C, `kill` and a closed terminal do it, while readers are at work for an archive."""
    scratch, made = places
    archive = made / "archive"
    process = begin(
        *("check", "--depth", "full", drives["old"], drives["sound"], "--scratch", scratch),
        *("--archive", archive, "--job", "J-1"),
        stream=subprocess.PIPE,
    )
    wait_for(lambda: any(scratch.glob("*/*")) and workers(process))
    assert any((archive / "unfinished").iterdir())
    readers = workers(process)
    process.send_signal(getattr(signal, name))
    out, err = process.communicate(timeout=PATIENCE_SECONDS)
    assert (process.returncode, out) == (130, "")
    assert "interrupted" in err
    assert "Traceback" not in err
    assert not alive(readers)
    assert not list(scratch.iterdir())
    assert not list((archive / "unfinished").iterdir())
    assert not list((archive / "jobs").iterdir())


def test_capture_when_one_that_can_go_on_is_interrupted_then_the_command_to_go_on_is_said(
    large: Path, places: tuple[Path, Path]
) -> None:
    """By a real SIGINT: where the progress is kept, and the very words that were typed."""
    scratch, made = places
    options = ("--depth", "full", "--resume", "-o", made / "m n", "--scratch", scratch)
    typed = ("capture", large, *options)
    kept = made / "m n.unfinished"
    process = begin(*typed, stream=subprocess.PIPE)
    wait_for(lambda: any(kept.glob("partition-*")))
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=PATIENCE_SECONDS)
    assert process.returncode == 130
    assert kept.is_dir()
    lines = [line.strip() for line in err.splitlines()]
    assert lines[0].startswith("drivewitness: interrupted")
    assert str(kept) in lines[1]
    assert shlex.split(lines[2])[-len(typed) - 1 :] == ["drivewitness", *map(str, typed)]


def test_capture_when_one_that_cannot_go_on_is_interrupted_then_nothing_is_promised(
    large: Path, places: tuple[Path, Path]
) -> None:
    """Without --resume nothing is kept, and no command goes on."""
    scratch, made = places
    typed = ("capture", large, "--depth", "full", "-o", made / "m", "--scratch", scratch)
    process = begin(*typed, stream=subprocess.PIPE)
    wait_for(lambda: any(scratch.glob("*/*")))
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=PATIENCE_SECONDS)
    assert (process.returncode, len(err.splitlines())) == (130, 1)


@pytest.mark.parametrize("there", ["before", "not"])
def test_check_when_ended_then_the_folder_made_to_keep_its_manifests_goes_again(
    there: str, large: Path, drives: dict[str, Path], places: tuple[Path, Path]
) -> None:
    """An empty folder looks like a job; one that the user made stays."""
    scratch, made = places
    keep = made / "customer" / "job"
    if there == "before":
        keep.mkdir(parents=True)
    arguments = ("check", large, drives["old"], "--depth", "full", "--keep", keep)
    process = begin(*arguments, "--scratch", scratch)
    wait_for(lambda: any(scratch.glob("*/*")))
    process.send_signal(signal.SIGTERM)
    assert process.wait(timeout=PATIENCE_SECONDS) == 130
    assert keep.exists() is (there == "before")
    assert [path for path in made.rglob("*") if path.is_file()] == []
    assert any(made.iterdir()) is (there == "before")


def test_capture_when_signals_come_again_and_again_then_the_clearing_up_is_not_cut_short(
    large: Path, places: tuple[Path, Path]
) -> None:
    """A closed terminal sends SIGHUP to all, and a service manager SIGTERM behind it."""
    scratch, made = places
    arguments = ("capture", large, "--depth", "full", "-o", made / "m", "--scratch", scratch)
    process = begin(*arguments)
    wait_for(lambda: any(scratch.glob("*/*")))
    for _ in range(20):
        for number in (signal.SIGHUP, signal.SIGTERM, signal.SIGINT):
            process.send_signal(number)
        time.sleep(0.005)
    assert process.wait(timeout=PATIENCE_SECONDS) == 130
    assert not [*scratch.iterdir(), *made.iterdir()]


def test_capture_when_started_with_sigint_ignored_then_sigint_ends_it(
    large: Path, places: tuple[Path, Path]
) -> None:
    """POSIX shells start what `&` puts into the background so (XCU 2.11)."""
    scratch, made = places
    arguments = ("capture", large, "--depth", "full", "-o", made / "m", "--scratch", scratch)
    process = begin(*arguments, before=lambda: signal.signal(signal.SIGINT, signal.SIG_IGN))
    wait_for(lambda: any(scratch.glob("*/*")))
    process.send_signal(signal.SIGINT)
    assert process.wait(timeout=PATIENCE_SECONDS) == 130


def test_capture_when_started_by_nohup_then_a_closed_terminal_does_not_end_it(
    drives: dict[str, Path], places: tuple[Path, Path]
) -> None:
    """POSIX nohup: SIGHUP is ignored, and stays so."""
    scratch, made = places
    arguments = ("capture", drives["old"], "--depth", "full", "-o", made / "m")
    process = begin(
        *(*arguments, "--scratch", scratch),
        before=lambda: signal.signal(signal.SIGHUP, signal.SIG_IGN),
    )
    wait_for(lambda: any(scratch.glob("*/*")))
    process.send_signal(signal.SIGHUP)
    assert process.wait(timeout=PATIENCE_SECONDS) == 0
    assert (made / "m").exists()


def test_command_when_ended_before_it_began_then_it_is_not_taken_for_a_verdict() -> None:
    """The library that reads arguments gives Ctrl-C exit 1, which is `review` here."""
    program = (
        "import os, signal, sys, verify.__main__ as main, verify.cli.app as app;"
        "sys.argv[1:] = ['rules'];"
        "app._application = lambda: (os.kill(os.getpid(), signal.SIGTERM), 1)[1];"
        "sys.exit(main.main())"
    )
    ran = subprocess.run([sys.executable, "-c", program], cwd=REPOSITORY, check=False)
    assert ran.returncode == 130


def test_capture_when_killed_then_its_readers_end_at_once_and_a_later_run_clears_up(
    large: Path, drives: dict[str, Path], places: tuple[Path, Path]
) -> None:
    """SIGKILL lets no program clear up: the kernel ends the readers and lets go of the locks.

    What another run still uses, and what has a name of somebody else's, stays.
    """
    scratch, made = places
    archive = made / "archive"
    killed = begin(
        *("check", "--depth", "full", large, large, "--scratch", scratch),
        *("--archive", archive, "--job", "J-1"),
    )
    wait_for(lambda: len(list(scratch.glob("*/*"))) >= 2 and len(workers(killed)) >= 2)
    readers = workers(killed)
    killed.kill()
    killed.wait()
    time.sleep(AT_ONCE_SECONDS)
    assert not alive(readers)
    left = [*scratch.iterdir(), *(archive / "unfinished").iterdir()]
    assert len(left) == 3
    others = [scratch / f"{WORKING}notes", scratch / "drivewitness-abcd1234", scratch / "mine"]
    for other in others:
        other.mkdir()
    living = begin(
        *("check", "--depth", "full", large, large, "--scratch", scratch),
        *("--archive", archive, "--job", "J-2"),
    )
    try:
        wait_for(lambda: len(list(scratch.glob("*/*"))) >= 2 and not any(map(os.path.exists, left)))
        used = [*scratch.iterdir(), *(archive / "unfinished").iterdir()]
        ran = begin(
            *("check", "--depth", "layout", drives["old"], drives["sound"], "--scratch", scratch),
            *("--archive", archive, "--job", "J-3"),
        )
        assert ran.wait(timeout=PATIENCE_SECONDS) in {0, 1}
        assert all(item.exists() for item in (*used, *others))
    finally:
        living.terminate()
        assert living.wait(timeout=PATIENCE_SECONDS) == 130
    assert sorted(scratch.iterdir()) == sorted(others)
    assert not list((archive / "unfinished").iterdir())


def test_helper_when_all_above_it_are_killed_then_it_ends_at_once(
    drives: dict[str, Path],
) -> None:
    """A reader's own copy asks for its parent's death anew: prctl(2), not taken over by a fork."""
    program = (
        "import os, time\n"
        "from verify.capture.readers.helper import helper_process\n"
        "from verify.capture.readers.messages import Reporter\n"
        "from verify.source.drive import open_drive\n"
        "import io, sys\n"
        "drive = open_drive(sys.argv[1])\n"
        "with helper_process(drive, Reporter(open(os.devnull, 'w')), lambda _: time.sleep(60)):\n"
        "    print('ready', flush=True)\n"
        "    time.sleep(60)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(drives["old"])],
        cwd=REPOSITORY,
        stdout=subprocess.PIPE,
        text=True,
    ) as first:
        assert first.stdout is not None
        assert first.stdout.readline() == "ready\n"
        (helper,) = psutil.Process(first.pid).children()
        first.kill()
        first.wait()
        time.sleep(AT_ONCE_SECONDS)
        assert not alive([helper])


def test_reader_when_its_pipe_alone_tells_of_its_parents_end_then_it_ends(large: Path) -> None:
    """What works on every system: here the parent lives, and closes the pipe."""
    from dataclasses import replace  # noqa: PLC0415

    from tests.capture.test_isolate import TASK  # noqa: PLC0415
    from verify.source.drive import open_drive  # noqa: PLC0415

    with open_drive(large) as drive:
        task = replace(
            TASK, drive=str(large), file_id=drive.identity.file_id, size_bytes=64 << 30,
            raw=True, depth="full", rows=str(large.with_suffix(".rows")),
        )  # fmt: skip
    with subprocess.Popen(
        [sys.executable, "-c", "from verify.capture.readers.worker import main; main()"],
        cwd=REPOSITORY,
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
    ) as reader:
        assert reader.stdin is not None
        reader.stdin.write(task.to_json() + "\n")
        reader.stdin.flush()
        wait_for(large.with_suffix(".rows").exists)
        assert reader.poll() is None
        reader.stdin.close()
        assert reader.wait(timeout=5) == 1


def test_pool_when_its_process_is_killed_then_its_workers_end_at_once(tmp_path: Path) -> None:
    """`jobs verify` has one; its workers hold ends of each other's pipes, and would wait on."""
    (tmp_path / "long.py").write_text(
        "import os, sys, time\n"
        "from verify.archive import parallel\n"
        "parallel._processors = lambda: 2\n"
        "def work(share):\n"
        "    open(f'{sys.argv[1]}/{os.getpid()}.worker', 'w').close()\n"
        "    time.sleep(60)\n"
        "    return list(share)\n"
        "if __name__ == '__main__':\n"
        "    list(parallel.in_shares(work, range(5000)))\n"
    )
    environment = {**os.environ, "PYTHONPATH": str(REPOSITORY)}
    with subprocess.Popen(
        [sys.executable, str(tmp_path / "long.py"), str(tmp_path)], env=environment
    ) as process:
        wait_for(lambda: len(list(tmp_path.glob("*.worker"))) == 2)
        pids = [int(path.stem) for path in tmp_path.glob("*.worker")]
        working = [psutil.Process(pid) for pid in pids]
        process.kill()
        process.wait()
        time.sleep(AT_ONCE_SECONDS)
        assert not alive(working)


_WRITING = """
import os, signal, sys, time
from pathlib import Path
from verify.whole_file import whole_file
with whole_file(Path(sys.argv[1])) as file:
    file.write(b"names of a customer")
    file.flush()
    print("writing", flush=True)
    time.sleep(60)
"""


@contextlib.contextmanager
def writing(path: Path) -> Iterator[subprocess.Popen[str]]:
    """Give a process that is in the middle of writing a file."""
    with subprocess.Popen(
        [sys.executable, "-c", _WRITING, str(path)],
        cwd=REPOSITORY,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "writing\n"
        yield process
        process.kill()


def test_file_when_its_writer_was_killed_then_what_is_left_goes_with_the_next_file(
    tmp_path: Path,
) -> None:
    """A manifest under way holds a customer's names; one that is still written stays."""
    with writing(tmp_path / "dead") as dead:
        dead.kill()
        dead.wait()
    (left,) = tmp_path.iterdir()
    theirs = tmp_path / ".notes.12345678.partial"
    theirs.touch()
    with writing(tmp_path / "alive"):
        assert not left.exists()
        (under_way,) = (path for path in tmp_path.iterdir() if path != theirs)
        with whole_file(tmp_path / "m") as file:
            file.write(b"x")
        assert set(tmp_path.iterdir()) == {tmp_path / "m", theirs, under_way}


def test_working_folder_when_another_account_owns_it_then_it_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a folder that all accounts write to, anybody may make one of that name."""
    theirs = tmp_path / f"{WORKING}abcd1234"
    theirs.mkdir()
    monkeypatch.setattr(os, "geteuid", lambda: os.getuid() + 1)
    with WorkingFolder(tmp_path):
        assert theirs.exists()
    monkeypatch.undo()
    with WorkingFolder(tmp_path) as own:
        assert [str(path) for path in tmp_path.iterdir()] == [own]
    assert not list(tmp_path.iterdir())


def test_filing_when_an_earlier_one_was_killed_then_what_it_left_goes(tmp_path: Path) -> None:
    """Staged under a name that an earlier version gave, it stays: that one held no lock."""
    archive = archive_of(tmp_path, 1)
    ours, older = archive.unfinished / "J-2.0badcafe.held", archive.unfinished / "J-2.0badcafe"
    ours.mkdir()
    older.mkdir()
    (ours / "source.manifest.jsonl.gz").touch()
    filed(archive, "J-3", pair(tmp_path))
    assert list(archive.unfinished.iterdir()) == [older]
