"""Whether an archive is what it was: every file against its seal, every seal against its chain."""

from __future__ import annotations

import os
import stat
from dataclasses import asdict, dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, Literal

from verify.archive.entry import Entry, event_entry, read_entry
from verify.archive.parallel import in_shares
from verify.archive.seal import SEAL_NAME, seal_value, sealed_file
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from verify.archive.archive import Archive
    from verify.archive.seal import Key

PROOF_SCHEMA = "drivewitness.archive-proof/1"

What = Literal["changed", "missing", "added", "removed", "unsealed", "unproven", "chain"]


@dataclass(frozen=True, slots=True)
class Problem:
    """Something that is not as it was sealed.

    `what`: a file is `changed`, `missing` or `added`; an entry was `removed`, is `unsealed` (no
    seal, or one that is not its own) or `unproven` (its seal needs a key); `chain`: seals that do
    not follow each other.
    """

    what: What
    entry: str | None
    file: str | None
    message: str


@dataclass(frozen=True, slots=True)
class Link:
    """What of a seal makes the chain, with how many files it seals."""

    number: int
    entry: str
    previous: str | None
    previous_entry: str | None
    key: str | None
    seal: str
    files: int


@dataclass(slots=True)
class Proof:
    """What came of looking at a whole archive.

    `last`: the newest seal, the one to keep outside. `unfinished`: entries that are being filed,
    or never were; nothing of them counts.
    """

    entries: int = 0
    files: int = 0
    keyed: int = 0
    last: Link | None = None
    problems: list[Problem] = field(default_factory=list)
    unfinished: list[str] = field(default_factory=list)

    @property
    def whole(self) -> bool:
        """Whether nothing is amiss."""
        return not self.problems


def prove(archive: Archive, key: Key | None, *, known: str | None = None) -> Proof:
    """Look at every file and every seal of an archive.

    `known`: a seal that was kept outside; it has to be in the chain.

    Raises:
        OSError: the archive's folders cannot be listed.
    """
    proof = Proof(unfinished=sorted(path.name for path in archive.unfinished.iterdir()))
    names = sorted(os.listdir(archive.jobs))  # noqa: PTH208 - a hundred thousand names
    chain: list[Link] = []
    for link, problems in in_shares(partial(_examine, archive, key), names):
        proof.entries += 1
        proof.problems += problems
        if link is not None:
            chain.append(link)
    proof.files = sum(link.files for link in chain)
    chain.sort(key=lambda link: (link.number, link.entry))
    unsealed = {item.entry for item in proof.problems if item.what == "unsealed"}
    proof.problems += _chain_problems(chain, unsealed)
    proof.keyed = sum(link.key is not None for link in chain)
    proof.last = chain[-1] if chain else None
    if key is not None and proof.last is not None and proof.last.key is None:
        proof.problems.append(_newest_unkeyed(proof.last))
    if known is not None and known not in {link.seal for link in chain}:
        message = say(
            "The seal given with --last is not in the archive: it was mistyped, or"
            " jobs were removed."
        )
        proof.problems.append(Problem("removed", None, None, message))
    return proof


def _examine(
    archive: Archive, key: Key | None, names: Sequence[str]
) -> list[tuple[Link | None, list[Problem]]]:
    """Look at the files and the seals of some entries."""
    jobs = os.fspath(archive.jobs)
    answers: list[tuple[Link | None, list[Problem]]] = []
    for name in names:
        entry = read_entry(f"{jobs}/{name}")
        seal = entry.seal
        if seal is None:
            message = say("{name} has no readable seal.", name=name)
            answers.append((None, [Problem("unsealed", name, SEAL_NAME, message)]))
            continue
        link = Link(
            seal.number,
            seal.entry,
            seal.previous,
            seal.previous_entry,
            seal.key,
            seal.seal,
            len(seal.files),
        )
        problems = [*_seal_problems(entry, key), *_file_problems(archive, entry)]
        answers.append((link, problems))
    return answers


def job_problems(archive: Archive, job: str, key: Key | None) -> list[Problem]:
    """Return what is amiss with one job by its own seal, without looking at the chain.

    Raises:
        JobUnknown: there is no such job.
    """
    entry = archive.job(job)
    if entry.seal is None:
        return [Problem("unsealed", job, SEAL_NAME, say("{name} has no readable seal.", name=job))]
    return [*_seal_problems(entry, key), *_file_problems(archive, entry)]


def event_problem(archive: Archive, name: str, key: Key | None) -> str | None:
    """Return what is amiss with what was filed about a job: its own seal, and whose job it means.

    Raises:
        JobUnknown: there is no such entry.
    """
    entry = archive.entry(name)
    if entry.seal is None or entry.event is None:
        return say("{name} has no readable seal or record.", name=name)
    for problem in (*_seal_problems(entry, key), *_file_problems(archive, entry)):
        return problem.message
    job = archive.job(entry.job)
    if entry.event.job != entry.job or job.seal is None or job.seal.seal != entry.event.seal:
        return say("{name} belongs to another job.", name=name)
    return None


def _seal_problems(entry: Entry, key: Key | None) -> Iterator[Problem]:
    """Yield what is wrong with the seal itself."""
    seal = entry.seal
    if seal is None:
        return
    name = entry.name
    if seal.entry != name:
        message = say("{name} carries the seal of {other}.", name=name, other=seal.entry)
        yield Problem("unsealed", name, SEAL_NAME, message)
    if seal.key is None:
        if seal_value(seal, None) != seal.seal:
            yield Problem(
                "changed", name, SEAL_NAME, say("The seal of {name} was changed.", name=name)
            )
    elif key is None or key.fingerprint != seal.key:
        message = say(
            "The seal of {name} was made with the key {key}, which was not given.",
            name=name,
            key=seal.key,
        )
        yield Problem("unproven", name, SEAL_NAME, message)
    elif seal_value(seal, key) != seal.seal:
        message = say("The seal of {name} was changed, or made with another key.", name=name)
        yield Problem("changed", name, SEAL_NAME, message)


def _file_problems(archive: Archive, entry: Entry) -> Iterator[Problem]:
    """Yield what is wrong with the files of an entry, by its seal."""
    if entry.seal is None:
        return
    name, sealed, there = entry.name, entry.seal.files, entry.files - {SEAL_NAME}
    if _was_deleted(archive, entry):
        for left in sorted(there):
            message = say(
                "{name} was not deleted completely: {file} still exists.", name=name, file=left
            )
            yield Problem("added", name, left, message)
        return
    for file in sorted(sealed.keys() - there):
        yield Problem(
            "missing", name, file, say("{file} of {name} is missing.", file=file, name=name)
        )
    for file in sorted(there - sealed.keys()):
        yield Problem(
            "added",
            name,
            file,
            say("{file} of {name} was added after the sealing.", file=file, name=name),
        )
    for file in sorted(sealed.keys() & there):
        if not _is_as_sealed(f"{archive.jobs}/{name}/{file}", sealed[file]):
            yield Problem(
                "changed",
                name,
                file,
                say("{file} of {name} was changed after the sealing.", file=file, name=name),
            )


def _is_as_sealed(path: str, sealed: object) -> bool:
    try:
        return stat.S_ISREG(os.lstat(path).st_mode) and sealed_file(path) == sealed
    except OSError:
        return False


def _was_deleted(archive: Archive, entry: Entry) -> bool:
    """Whether a sealed word says that this very job was deleted, or the job that this is about."""
    deleted = event_entry(entry.job, "deleted")
    folder = f"{archive.jobs}/{deleted}"
    if entry.name == deleted or not os.path.isdir(folder):  # noqa: PTH112 - as in read_entry
        return False
    word = read_entry(folder).event
    job = entry if entry.name == entry.job else read_entry(f"{archive.jobs}/{entry.job}")
    return word is not None and job.seal is not None and word.seal == job.seal.seal


def _chain_problems(chain: list[Link], unsealed: set[str | None]) -> Iterator[Problem]:
    """Yield where seals, in the order of their numbers, do not follow each other.

    `unsealed`: entries that are there, and lack in the chain since their seals cannot be read.
    """
    before: Link | None = None
    keyed = False
    for seal in chain:
        number = before.number if before else 0
        if seal.number == number:
            message = say(
                "{name} and {other} have the same number, {number}.",
                name=seal.entry,
                other=before.entry if before else "",
                number=number,
            )
            yield Problem("chain", seal.entry, SEAL_NAME, message)
        elif seal.number > number + 1:
            if seal.number > number + 2 or seal.previous_entry not in unsealed:
                yield _removed(number + 1, seal)
        elif seal.previous != (before.seal if before else None):
            message = say(
                "The seal of {name} continues another seal of {other}.",
                name=seal.entry,
                other=seal.previous_entry or say("nothing"),
            )
            yield Problem("chain", seal.entry, SEAL_NAME, message)
        if keyed and seal.key is None:
            message = say(
                "{name} was sealed without a key, after others with one.", name=seal.entry
            )
            yield Problem("chain", seal.entry, SEAL_NAME, message)
        keyed = keyed or seal.key is not None
        before = seal


def _removed(first: int, after: Link) -> Problem:
    """Tell which entries are gone before `after`: the last by its name, others by number."""
    last, named = after.number - 1, after.previous_entry
    message = say("{name}, number {last} of the chain, was removed.", name=named or "", last=last)
    if first < last:
        message = say(
            "{many} entries, numbers {first} to {last}, were removed; the last was {name}.",
            many=last - first + 1,
            first=first,
            last=last,
            name=named or "",
        )
    return Problem("removed", named, None, message)


def _newest_unkeyed(seal: Link) -> Problem:
    message = say(
        "The newest seal, of {name}, was made without the key, so a forged chain would look the"
        " same. File the next job with the key.",
        name=seal.entry,
    )
    return Problem("chain", seal.entry, SEAL_NAME, message)


def proof_document(proof: Proof) -> dict[str, Any]:
    """Return what came of it as a plain document."""
    return {
        "schema": PROOF_SCHEMA,
        "whole": proof.whole,
        "entries": proof.entries,
        "files": proof.files,
        "keyed": proof.keyed,
        "last": None
        if proof.last is None
        else {
            "number": proof.last.number,
            "entry": proof.last.entry,
            "seal": proof.last.seal,
        },
        "problems": [asdict(problem) for problem in proof.problems],
        "unfinished": proof.unfinished,
    }
