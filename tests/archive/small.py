"""Small jobs for tests: invented drives written down as manifests, filed without any drive."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tests.rules.cases import drive, usual
from verify.archive.archive import make_archive
from verify.archive.filing import JobWords, file_job
from verify.manifest.file import open_manifest, write_manifest
from verify.rules.judge_drives import compare

if TYPE_CHECKING:
    from pathlib import Path

    from verify.archive.archive import Archive
    from verify.archive.job_record import Seal
    from verify.archive.seal import Key
    from verify.manifest.header import Header
    from verify.rules.comparison_document import Comparison

FILES = {
    "comparison.json",
    "differences.jsonl.gz",
    "job.json",
    "report.html",
    "source.manifest.jsonl.gz",
    "target.manifest.jsonl.gz",
}
"""What is sealed of a job."""


def header(**changes: Any) -> Header:
    """Return the header of an invented device with a serial number of its own."""
    told = {"kind": "device", "path": "/dev/old", "model": "Quire 9", "serial": "OLD-1"}
    return drive(usual(), **(told | {"serial_source": "drive", "file_id": "device:8:0"} | changes))


def written(folder: Path, name: str, of: Header) -> Path:
    """Write a manifest without rows."""
    path = folder / name
    write_manifest(path, of, {item.number: None for item in of.partitions}, replace=True)
    return path


def pair(folder: Path, old: Header | None = None, new: Header | None = None) -> tuple[Path, Path]:
    """Write the manifests of a job: an old drive, and a larger new one."""
    other = {"path": "/dev/new", "serial": "NEW-1", "model": "Sheaf 2", "file_id": "device:8:16"}
    return (
        written(folder, "old.manifest", old or header()),
        written(folder, "new.manifest", new or header(**other, size_mib=2000)),
    )


def compared(paths: tuple[Path, Path]) -> Comparison:
    """Compare two manifests by the rules of today."""
    return compare(open_manifest(paths[0]), open_manifest(paths[1]))


def filed(
    archive: Archive, job: str, paths: tuple[Path, Path], key: Key | None = None, **words: Any
) -> Seal:
    """File a job."""
    now = words.pop("now", 1_000_000)
    verdict = words.pop("verdict", None)
    comparison = compared(paths)
    if verdict is not None:
        comparison = comparison.model_copy(update={"verdict": verdict})
    return file_job(archive, JobWords(job=job, **words), comparison, paths, key, now=now)


def archive_of(folder: Path, jobs: int, key: Key | None = None) -> Archive:
    """Return a new archive of that many jobs: J-1, J-2 and so on."""
    archive = make_archive(folder / "archive")
    paths = pair(folder)
    for number in range(1, jobs + 1):
        filed(archive, f"J-{number}", paths, key)
    return archive
