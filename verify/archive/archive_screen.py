"""The archive for people: its jobs in a table, one of them in full, its proof in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.padding import Padding
from rich.text import Text

from verify.archive.entry import read_entry
from verify.report.comparison_report import NOT_TOLD, both_sizes, when
from verify.report.terminal import facts_table, plain, section, sentence
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console

    from verify.archive.archive import Archive
    from verify.archive.proof import Proof


def job_document(archive: Archive, job: str) -> dict[str, Any]:
    """Return all that is known of a job as a plain document.

    Raises:
        JobUnknown: there is none.
    """
    entry = archive.job(job)
    with archive.index() as index:
        events = [read_entry(archive.jobs / name).event for name in index.events(job)]
    record = entry.record
    told: dict[str, Any] = record.model_dump(mode="json", by_alias=True) if record else {"job": job}
    return told | {
        "folder": str(archive.jobs / job),
        "seal": entry.seal.model_dump(mode="json", by_alias=True) if entry.seal else None,
        "events": [event.model_dump(mode="json", by_alias=True) for event in events if event],
    }


def print_job(console: Console, job: dict[str, Any]) -> None:
    """Print all that is known of one job."""
    section(console, "JOB")
    console.print(facts_table(_facts(job)))
    for side, title in (("source", "OLD DRIVE"), ("target", "NEW DRIVE")):
        if side in job:
            section(console, title)
            console.print(facts_table(recorded_facts(job[side])))
    section(console, "LATER", "" if job["events"] else "nothing was filed about it")
    for event in job["events"]:
        by = f" by {event['technician']}" if event["technician"] else ""
        why = f": {event['reason']}" if event["reason"] else ""
        line = sentence(f"{event['event']} {when(event['at'])}{by}{why}")
        console.print(Padding(line, (0, 0, 0, 2)))


def print_proof(console: Console, proof: Proof) -> None:
    """Print whether an archive is whole, and what is amiss."""
    word = " WHOLE " if proof.whole else " NOT WHOLE "
    counts = f"{proof.entries:,} entries, {proof.files:,} files, {proof.keyed:,} seals with a key"
    console.print(Text(word, style="bold reverse"), Text(counts))
    for problem in proof.problems:
        line = Text(f"{problem.what}: ", style="bold") + sentence(problem.message)
        console.print(Padding(line, (0, 0, 0, 2)))
    if proof.unfinished:
        section(console, "UNFINISHED", "being filed, or left behind; nothing of it counts")
        for name in proof.unfinished:
            console.print(Padding(plain(name), (0, 0, 0, 2)))
    if proof.last is not None:
        section(console, "NEWEST SEAL", "compare it with the one kept outside")
        told = f"number {proof.last.number}, {proof.last.entry}: {proof.last.seal}"
        console.print(Padding(sentence(told), (0, 0, 0, 2)))


def _facts(job: dict[str, Any]) -> Iterator[tuple[str, str]]:
    yield "job", job["job"]
    if "verdict" in job:
        yield "verdict", f"{job['verdict']}, depth {job['depth']}"
        yield "says", job["summary"]
        yield "filed", f"{when(job['filed'])}, by version {job['tool_version']}"
    else:
        yield "record", "deleted, or gone"
    for name in ("technician", "customer", "notes"):
        if job.get(name):
            yield name, job[name]
    yield "folder", job["folder"]
    if seal := job["seal"]:
        yield "seal", f"number {seal['number']}: {seal['seal']}"
        yield "key", seal["key"] or "none"
        yield "files", ", ".join(seal["files"])
    else:
        yield "seal", "none"


def recorded_facts(drive: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield what names a recorded drive: (word, value)."""
    yield say("path"), drive["path"]
    yield say("model"), drive["model"] or NOT_TOLD
    serial = drive["serial"] or NOT_TOLD
    adapter = drive["serial_source"] == "adapter"
    yield say("serial"), say("{serial} (of the adapter)", serial=serial) if adapter else serial
    yield say("size"), both_sizes(drive["size_bytes"])
    yield say("id"), drive["disk_id"] or say("none")
    yield say("read"), when(drive["captured"])
