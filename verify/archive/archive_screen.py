"""The archive for people: its jobs in a table, one of them in full, its proof in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.padding import Padding
from rich.text import Text

from verify.archive.entry import COMPARISON_NAME, read_entry
from verify.errors import WitnessError
from verify.report.comparison_file import open_comparison
from verify.report.comparison_report import NOT_TOLD, both_sizes, when
from verify.report.terminal import facts_table, plain, section, sentence
from verify.report.words import LEVELS
from verify.text.language import ENGLISH, _, spoken
from verify.text.message import counted, joined, say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console

    from verify.archive.archive import Archive
    from verify.archive.proof import Proof

_EVENTS = {
    "started": say("started from the new drive"),
    "running": say("checked with `running`"),
    "deleted": say("deleted"),
}
_PROBLEMS = {
    "changed": say("changed"),
    "missing": say("missing"),
    "added": say("added"),
    "removed": say("removed"),
    "unsealed": say("without a seal"),
    "unproven": say("not proven"),
    "chain": say("chain of seals"),
}
_WORDS = {
    "technician": say("technician"),
    "customer": say("customer"),
    "notes": say("notes"),
}


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


def with_spoken_summary(archive: Archive, job: dict[str, Any]) -> dict[str, Any]:
    """Return a job's document with its summary as a message, where its comparison still has one."""
    if spoken() == ENGLISH or "summary" not in job:
        return job
    try:
        return job | {"summary": open_comparison(archive.file(job["job"], COMPARISON_NAME)).summary}
    except WitnessError:
        return job


def print_job(console: Console, job: dict[str, Any]) -> None:
    """Print all that is known of one job."""
    section(console, say("JOB"))
    console.print(facts_table(_facts(job)))
    for side, title in (("source", say("OLD DRIVE")), ("target", say("NEW DRIVE"))):
        if side in job:
            section(console, title)
            console.print(facts_table(recorded_facts(job[side])))
    section(console, say("FILED LATER"), "" if job["events"] else say("none"))
    for event in job["events"]:
        parts = [_EVENTS.get(event["event"], event["event"]), when(event["at"])]
        parts += [part for part in (event["technician"], event["reason"]) if part]
        line = sentence(joined(parts))
        console.print(Padding(line, (0, 0, 0, 2)))


def print_proof(console: Console, proof: Proof) -> None:
    """Print whether an archive is whole, and what is amiss."""
    word = _(" UNCHANGED ") if proof.whole else _(" CHANGED ")
    counts = joined(
        (
            counted("{count:,} entry", "{count:,} entries", proof.entries),
            counted("{count:,} file", "{count:,} files", proof.files),
            counted("{count:,} seal with a key", "{count:,} seals with a key", proof.keyed),
        )
    )
    console.print(Text(word, style="bold reverse"), plain(counts))
    for problem in proof.problems:
        what = _PROBLEMS.get(problem.what, problem.what)
        line = plain(what, "bold") + Text(": ", style="bold") + sentence(problem.message)
        console.print(Padding(line, (0, 0, 0, 2)))
    if proof.unfinished:
        section(
            console, say("UNFINISHED"), say("still being filed, or left behind; it does not count")
        )
        for name in proof.unfinished:
            console.print(Padding(plain(name), (0, 0, 0, 2)))
    if proof.last is not None:
        section(console, say("NEWEST SEAL"), say("compare it with the one that you keep elsewhere"))
        told = say(
            "number {number}, {entry}: {seal}",
            number=proof.last.number,
            entry=proof.last.entry,
            seal=proof.last.seal,
        )
        console.print(Padding(sentence(told), (0, 0, 0, 2)))


def _facts(job: dict[str, Any]) -> Iterator[tuple[str, str]]:
    yield say("job"), job["job"]
    if "verdict" in job:
        verdict = LEVELS.get(job["verdict"], job["verdict"])
        yield say("verdict"), say("{verdict}, depth {depth}", verdict=verdict, depth=job["depth"])
        yield say("says"), job["summary"]
        filed = when(job["filed"])
        yield (
            say("filed"),
            say("{moment}, by version {version}", moment=filed, version=job["tool_version"]),
        )
    else:
        yield say("record"), say("deleted, or missing")
    for name, word in _WORDS.items():
        if job.get(name):
            yield word, job[name]
    yield say("folder"), job["folder"]
    if seal := job["seal"]:
        number = say("number {number}: {seal}", number=seal["number"], seal=seal["seal"])
        yield say("seal"), number
        yield say("key"), seal["key"] or say("no key")
        yield say("files"), ", ".join(seal["files"])
    else:
        yield say("seal"), say("no seal")


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
