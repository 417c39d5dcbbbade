"""Archives of many invented jobs: each a record and a seal, chained as filing chains them."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.archive.archive import make_archive
from verify.archive.job_record import DriveRecord, JobRecord, Seal, SealedFile
from verify.archive.seal import seal_value

if TYPE_CHECKING:
    from verify.archive.archive import Archive

TECHNICIANS = ("A. Bell", "C. Carr", "D. Dunn", "E. Eyre")
MODELS = ("Quire 9", "Ream 2", "Folio S", "Octavo X")
DAY = 86_400


def make_jobs(folder: Path, jobs: int) -> Archive:
    """Make an archive of that many jobs; left as it is where it is there already."""
    root = folder / f"jobs-{jobs}"
    made = root / "made"
    if made.exists():
        return make_archive(root / "archive")
    archive = make_archive(root / "archive")
    before: Seal | None = None
    for number in range(1, jobs + 1):
        name = f"J-{number:06}"
        place = archive.jobs / name
        place.mkdir(exist_ok=True)
        text = record(name, number).model_dump_json(by_alias=True, indent=2).encode()
        (place / "job.json").write_bytes(text)
        sealed = {"job.json": SealedFile(bytes=len(text), blake3=blake3(text).hexdigest())}
        seal = Seal(
            number=number,
            entry=name,
            previous=before.seal if before else None,
            previous_entry=before.entry if before else None,
            key=None,
            files=sealed,
        )
        before = seal.model_copy(update={"seal": seal_value(seal, None)})
        (place / "seal.json").write_bytes(before.model_dump_json(by_alias=True, indent=2).encode())
    made.write_text(json.dumps({"jobs": jobs}), encoding="ascii")
    return archive


def record(name: str, number: int) -> JobRecord:
    """Return the record of an invented job."""
    verdict = ("sound", "sound", "sound", "review", "stop")[number % 5]
    return JobRecord(
        job=name,
        filed=1_900_000_000 + number * 600,
        technician=TECHNICIANS[number % 4],
        customer=f"customer {number % 997}",
        notes="by the bench at the window" if number % 3 else None,
        verdict=verdict,
        summary=f"An invented job, number {number}, whose verdict is {verdict}.",
        depth="sample",
        findings={"stop": number % 2, "review": number % 3, "note": number % 7},
        source=drive(number, "OLD"),
        target=drive(number, "NEW"),
        tool_version="1.0",
    )


def drive(number: int, side: str) -> DriveRecord:
    """Return one of its drives."""
    digest = blake3(f"{side} {number}".encode()).hexdigest()
    return DriveRecord(
        path=f"/dev/{side.lower()}",
        kind="device",
        size_bytes=500_107_862_016 + number,
        sector_bytes=512,
        model=MODELS[number % 4],
        serial=f"{side}-{number:08}",
        serial_source="drive",
        disk_id=digest[:32].upper(),
        table_digest=digest,
        captured=1_900_000_000 + number * 600,
    )


def main() -> None:
    """Measure what an archive of many jobs takes: `python -m tests.bench.jobs FOLDER [JOBS]`."""
    folder, jobs = Path(sys.argv[1]), int((*sys.argv[2:], "100000")[0])
    archive = make_jobs(folder, jobs)
    (archive.root / "index.sqlite").unlink(missing_ok=True)
    at = ("--archive", str(archive.root))
    for words, command in (
        ("index made anew", ("jobs", "list", *at, "--limit", "1")),
        ("the 50 newest", ("jobs", "list", *at, "--limit", "50", "--reverse")),
        ("all", ("jobs", "list", *at)),
        ("all, as JSON", ("jobs", "list", *at, "--json")),
        ("search for text", ("jobs", "list", *at, "--text", "new-00099")),
        (
            "by technician and verdict",
            ("jobs", "list", *at, "--technician", "A. Bell", "--verdict", "stop"),
        ),
        ("verify", ("jobs", "verify", *at)),
        ("298 drawn for an audit", ("audit", "plan", *at, "--tolerable", "0.01")),
    ):
        began = time.monotonic()
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(
            [sys.executable, "-m", "verify", *command],
            check=True,
            stdout=subprocess.DEVNULL,
        )
        wall = time.monotonic() - began
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        sys.stdout.write(f"| {words} | {wall:.2f} | {used:.2f} |\n")


if __name__ == "__main__":
    main()
