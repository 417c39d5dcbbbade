"""Filing what was judged as a job: what `check --job` and `jobs add` have in common."""

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from verify.cli.asking import asked_for
from verify.cli.job_options import archive_to_file_in, key_at, technician_named
from verify.cli.option_groups import FilingOptions
from verify.text.language import translated
from verify.text.message import say

if TYPE_CHECKING:
    from verify.archive.archive import Archive
    from verify.archive.filing import JobWords
    from verify.archive.job_record import Seal
    from verify.archive.seal import Key
    from verify.cli.judging import Judged


@dataclass(frozen=True)
class Filing:
    """A job that is going to be filed: its name is free, and its place can be written to."""

    archive: "Archive"
    words: "JobWords"
    key: "Key | None"

    def file(self, found: "Judged", folder: Path, fit: str | None = None) -> str:
        """File a comparison with the manifests kept in `folder`; tell and return its seal.

        `fit`: the file that the new drive was held to.

        Raises:
            JobTaken, OutputError: it could not be filed.
        """
        from verify.archive.filing import file_job

        manifests = _kept(folder, "source"), _kept(folder, "target")
        seal = file_job(
            self.archive,
            self.words,
            found.comparison,
            manifests,
            self.key,
            differences=found.differences(),
            fit=None if fit is None else Path(fit),
        )
        tell_seal(self.archive, seal)
        return seal.words


def filing_for(job: str | None, options: FilingOptions) -> Filing | None:
    """Return how a job is going to be filed; `None` where neither job nor archive was named.

    An archive without a job: it is named by the hour, UTC. What was not given is asked for,
    where that was wanted and a person is there to answer; the name first, so that one that is
    taken is refused at once.

    Raises:
        UsageError: the name cannot be one.
        JobTaken, ArchiveForeign, OutputError, KeyUnusable: it could not be filed.
    """
    from verify.archive.filing import JobWords

    ask = options.ask
    if job is None and options.archive is None and not ask:
        return None
    job = asked_for("job", job, ask=ask)
    named = time.strftime("%Y%m%d-%H%M%S", time.gmtime()) if job is None else job
    words = JobWords(job=named)
    filing = Filing(
        archive_to_file_in(options.archive, shared=options.shared), words, key_at(options.key)
    )
    filing.archive.hold_free(named)
    words = replace(
        words,
        technician=asked_for("technician", technician_named(options.technician), ask=ask),
        customer=asked_for("customer", options.customer, ask=ask),
        notes=asked_for("notes", options.notes, ask=ask),
    )
    return replace(filing, words=words)


@contextmanager
def folder_for(filing: Filing | None, kept: Path | None) -> Iterator[Path | None]:
    """Give the folder in which the manifests are kept: what was asked for, else the archive's."""
    if filing is None or kept is not None:
        yield kept
    else:
        with filing.archive.staged(filing.words.job) as folder:
            yield folder


def tell_seal(archive: "Archive", seal: "Seal") -> None:
    """Say what was filed where, on standard error."""
    filed = say(
        "{job}: filed in {archive} as number {number}.",
        job=seal.entry,
        archive=str(archive.root),
        number=seal.number,
    )
    how = (
        say("Sealed without a key:")
        if seal.key is None
        else say("Sealed with key {key}:", key=seal.key)
    )
    keep = say(
        "Keep a copy of this seal outside the archive: with it `jobs verify --last` shows that no"
        " job was removed."
    )
    for line in (filed, how, seal.seal, keep):
        sys.stderr.write(f"{'' if line is filed else '  '}{translated(line)}\n")


def _kept(folder: Path, side: str) -> Path:
    """Return the manifest of a side among those that a reading kept."""
    return next(path for path in sorted(folder.iterdir()) if path.name.startswith(side))
