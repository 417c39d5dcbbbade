"""A plug pulled at any step, a full disk, two at once: no half job, and nothing lost."""

from __future__ import annotations

import subprocess
import sys
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest

from tests.archive.small import FILES, archive_of, filed, pair
from tests.conftest import REPOSITORY
from verify.archive.archive import make_archive
from verify.archive.filing import delete_job
from verify.archive.index import Wanted
from verify.archive.proof import prove
from verify.errors import OutputError

if TYPE_CHECKING:
    from pathlib import Path

    from verify.archive.archive import Archive


def crashed(archive: Archive, paths: tuple[Path, Path], *more: str) -> dict[str, str]:
    """Return how each run of a work ended that was killed one step later each time."""
    ran = subprocess.run(
        [sys.executable, "-m", "tests.archive.crash", str(archive.root), *map(str, paths), *more],
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
        check=True,
    )
    return dict(line.split() for line in ran.stdout.splitlines())


def test_filing_when_killed_at_any_step_then_a_job_is_whole_or_not_there(tmp_path: Path) -> None:
    """After SIGKILL before every single step: the chain stands, what is there is whole."""
    archive = archive_of(tmp_path, 1)
    ends = crashed(archive, pair(tmp_path))
    assert list(ends.values()).count("done") == 1
    assert len(ends) > 20
    proof = prove(archive, None)
    assert proof.whole, proof.problems
    there = {path.name for path in archive.jobs.iterdir()}
    assert there - {"J-1"} <= ends.keys()
    assert {job for job, end in ends.items() if end == "done"} <= there
    for job in there:
        assert {path.name for path in (archive.jobs / job).iterdir()} == FILES | {"seal.json"}
    # What each of those that were killed left is taken away as the next one is filed; the last
    # run was not killed.
    assert not proof.unfinished
    with archive.index() as index:
        assert {job for job in there if index.has(job)} == there


def test_deletion_when_killed_at_any_step_then_it_is_named_and_deleting_again_ends_it(
    tmp_path: Path,
) -> None:
    """After SIGKILL before every step: the job is whole, or its unfinished deletion is named."""
    archive = archive_of(tmp_path, 1)
    ends = crashed(archive, pair(tmp_path), "delete")
    assert list(ends.values()).count("done") == 1
    assert len(ends) > 10
    proof = prove(archive, None)
    assert {(one.what, one.entry in ends) for one in proof.problems} == {("added", True)}
    assert all("not deleted completely" in one.message for one in proof.problems)
    half = {one.entry for one in proof.problems}
    for job, end in ends.items():
        there = {path.name for path in (archive.jobs / job).iterdir()}
        if end == "done":
            assert there == {"seal.json"}
        elif job not in half and there != {"seal.json"}:
            assert there == FILES | {"seal.json"}
        delete_job(archive, job, None, technician=None, reason="asked to")
    last = prove(archive, None)
    assert last.whole, last.problems
    with archive.index() as index:
        assert [row["job"] for row in index.jobs(Wanted())] == ["J-1"]


def test_filing_when_two_do_it_at_once_then_both_stand_in_one_chain(tmp_path: Path) -> None:
    """Two processes, five jobs each, one archive: ten jobs, numbered without a gap."""
    archive = make_archive(tmp_path / "archive")
    old, new = pair(tmp_path)
    program = (
        "import sys; from pathlib import Path; from tests.archive.small import filed;"
        "from verify.archive.archive import open_archive\n"
        "root, old, new, who = sys.argv[1:]\n"
        "for n in range(5): filed(open_archive(Path(root)), f'{who}-{n}', (Path(old), Path(new)))"
    )
    running = [
        subprocess.Popen(
            [sys.executable, "-c", program, str(archive.root), str(old), str(new), who],
            cwd=REPOSITORY,
        )
        for who in ("bell", "carr")
    ]
    assert [one.wait() for one in running] == [0, 0]
    proof = prove(archive, None)
    assert proof.whole, proof.problems
    assert proof.entries == 10
    assert proof.last is not None
    assert proof.last.number == 10


@pytest.mark.root
@pytest.mark.tools("mkfs.ext4", "mount", "umount")
def test_filing_when_the_disk_is_full_then_it_says_so_and_the_rest_stands(tmp_path: Path) -> None:
    """A filesystem of 2 MiB: one job after the other until there is no room."""
    image, place = tmp_path / "small.img", tmp_path / "small"
    place.mkdir()
    with image.open("wb") as file:
        file.truncate(2 << 20)
    subprocess.run(["mkfs.ext4", "-q", "-O", "^has_journal", str(image)], check=True)
    subprocess.run(["mount", "-o", "loop", str(image), str(place)], check=True)
    try:
        archive = make_archive(place / "archive")
        paths = pair(tmp_path)
        done = 0
        with suppress(OutputError):
            for number in range(200):
                filed(archive, f"J-{number}", paths)
                done += 1
        assert 0 < done < 200
        proof = prove(archive, None)
        assert proof.whole, proof.problems
        assert proof.entries == done
        assert not proof.unfinished
    finally:
        subprocess.run(["umount", str(place)], check=True)
