"""Every error this tool raises on purpose, as one tree.

The state of a drive is data and is recorded; an exception means "cannot go on here".

    WitnessError                      exit 4
    ├── UsageError                    exit 2   the command was called wrongly
    ├── SourceError                            a drive or an image cannot be used
    │   ├── SourceMissing                      nothing is there
    │   ├── SourceNotDrive                     a folder, a pipe, a socket
    │   ├── SourceForeign                      a file that holds no drive (text, a few bytes)
    │   ├── ImageRefused                       an image in a container that is not read, or damaged
    │   ├── OnePartition          exit 2       a partition where a whole drive belongs
    │   ├── SourceForbidden                    no permission to read
    │   ├── SourceRefused                      the system does not open it, for another reason
    │   ├── SourceVanished                     gone, or shorter than it was, while being read
    │   ├── SourceUnreadable                   sectors that the drive does not give back
    │   └── PastEnd                            a read outside the window it was asked of
    ├── StructureError                         an on-disk structure that cannot be read as one
    │   └── TooMuch                            more in it than any real one holds
    ├── ReaderError                            a volume library gave up
    ├── ViewRefused                            what was handed in is no view of the partition
    ├── ResumeRefused                          a reading that was cut off cannot go on
    ├── ManifestError                          a manifest cannot be used
    │   ├── ManifestForeign                    not a manifest at all
    │   ├── ManifestTruncated                  ends before its trailer
    │   ├── ManifestAltered                    its digest or counts do not match
    │   └── ManifestTooNew                     written by a later schema
    ├── ComparisonForeign                      a file that holds no comparison, or not enough of one
    ├── FitForeign                             a file that holds no fit
    ├── ArchiveError                           an archive of jobs cannot be used
    │   ├── ArchiveForeign                     a folder that is not an archive
    │   ├── NothingNamed                       neither a manifest nor an archive is there
    │   ├── ArchiveBusy                        somebody else has been filing for too long
    │   ├── JobUnknown                         no job of that name
    │   ├── JobTaken                           there is a job of that name
    │   └── JobDamaged                         a file of a job is gone, or is not what it was
    ├── MachineUntold                          this machine does not tell what was asked of it
    ├── AuditForeign                           a file that holds no plan or result of an audit
    ├── SettingsUnusable                       a settings file that cannot be read, or not obeyed
    ├── LogoUnusable                           a file that cannot stand as a logo in a report
    ├── KeyUnusable                            a file that holds no key, or one that others may read
    └── OutputError                            a result could not be written
"""

from __future__ import annotations

from dataclasses import dataclass

from verify.text.message import say


class WitnessError(Exception):
    """The root: one sentence from `__str__`, and what to do about it from `hint()`."""

    exit_code = 4

    def hint(self) -> str:
        """Return one sentence of advice, or an empty string."""
        return ""


@dataclass
class UsageError(WitnessError):
    """The command was called wrongly."""

    problem: str
    advice: str

    exit_code = 2

    def __str__(self) -> str:
        return self.problem

    def hint(self) -> str:
        """Return the advice given with the problem."""
        return self.advice


@dataclass
class SourceError(WitnessError):
    """A drive or an image cannot be used."""

    source: str

    def __str__(self) -> str:
        return say("{source}: cannot be used as a drive.", source=self.source)


@dataclass
class SourceMissing(SourceError):
    """Nothing is there under that name."""

    def __str__(self) -> str:
        return say("{source}: there is no such file or device.", source=self.source)

    def hint(self) -> str:
        """Say where names come from."""
        return say("Check the spelling. `drives` lists the drives attached to this machine.")


@dataclass
class SourceNotDrive(SourceError):
    """A folder, a pipe or a socket where a device or an image file belongs."""

    found: str

    def __str__(self) -> str:
        return say(
            "{source}: is {found}, not a drive or an image.", source=self.source, found=self.found
        )

    def hint(self) -> str:
        """Say what belongs there."""
        return say("Name a block device, a raw image file or a manifest.")


@dataclass
class SourceForeign(SourceError):
    """A file that holds no drive."""

    reason: str

    def __str__(self) -> str:
        return say(
            "{source}: is not an image of a drive: {reason}.",
            source=self.source,
            reason=self.reason,
        )

    def hint(self) -> str:
        """Say what belongs there."""
        return say("Name a block device, a raw image file (sector by sector) or a manifest.")


@dataclass
class ImageRefused(SourceError):
    """An image in a container that is not read: of another kind, incomplete or damaged.

    `kind`: what it is, as in "a VHDX"; `reason`: a clause; `advice`: a sentence.
    """

    kind: str
    reason: str
    advice: str

    def __str__(self) -> str:
        return say(
            "{source}: is {kind} that cannot be read: {reason}.",
            source=self.source,
            kind=self.kind,
            reason=self.reason,
        )

    def hint(self) -> str:
        """Return the advice given with the reason."""
        return self.advice


@dataclass
class OnePartition(SourceError):
    """One partition where a whole drive belongs.

    `drive`: the one it is of, where the system tells, and its `number` there; `start`: how many
    sectors its boot sector counts in front of it.
    """

    drive: str | None = None
    number: int | None = None
    start: int | None = None

    exit_code = 2

    def __str__(self) -> str:
        if self.number is not None:
            return say(
                "{source}: is partition {number} of {drive}, not a whole drive.",
                source=self.source,
                number=self.number,
                drive=self.drive or "",
            )
        if self.drive is not None:
            return say(
                "{source}: is a part of {drive}, not a whole drive.",
                source=self.source,
                drive=self.drive,
            )
        if self.start is not None:
            return say(
                "{source}: is one partition, not a whole drive: its boot sector says that it starts"
                " at sector {start} of a drive.",
                source=self.source,
                start=self.start,
            )
        return say("{source}: is one partition, not a whole drive.", source=self.source)

    def hint(self) -> str:
        """Name what to give instead, and the way to look at one partition on purpose."""
        instead = say("the whole drive, or an image of it") if self.drive is None else self.drive
        return say(
            "Name {instead}. To examine only this partition, add --one-partition.", instead=instead
        )


@dataclass
class SourceForbidden(SourceError):
    """The system does not let this user read it; `advice`: how this system would."""

    advice: str = ""

    def __str__(self) -> str:
        return say("{source}: you have no permission to read it.", source=self.source)

    def hint(self) -> str:
        """Say how a drive is usually read."""
        return self.advice or say(
            "Run this as administrator (root). The drive is only read, never written to."
        )


@dataclass
class SourceRefused(SourceError):
    """The system does not open it, and it is neither missing nor forbidden."""

    reason: str

    def __str__(self) -> str:
        return say("{source}: cannot be opened: {reason}.", source=self.source, reason=self.reason)

    def hint(self) -> str:
        """Say what to look at."""
        return say("Close the program that uses it. `drivewitness drives` lists the drives.")


@dataclass
class SourceVanished(SourceError):
    """It went away, or became shorter, while it was being read."""

    reason: str

    def __str__(self) -> str:
        return say(
            "{source}: was lost while it was read: {reason}.",
            source=self.source,
            reason=self.reason,
        )

    def hint(self) -> str:
        """Say what to look at."""
        return say("Check the cable, the adapter and its power, then start again.")


@dataclass
class SourceUnreadable(SourceError):
    """Bytes that the drive does not give back.

    `offset` and `length` are in bytes, inside whatever was read from.
    """

    offset: int
    length: int
    reason: str

    def __str__(self) -> str:
        end = self.offset + self.length
        return say(
            "{source}: bytes {start}..{end} cannot be read: {reason}.",
            source=self.source,
            start=self.offset,
            end=end,
            reason=self.reason,
        )


@dataclass
class PastEnd(SourceError):
    """A read outside the window; `offset`, `length` and `size` are in bytes."""

    offset: int
    length: int
    size: int

    def __str__(self) -> str:
        return say(
            "{source}: bytes {start}..{end} lie outside its {size} bytes.",
            source=self.source,
            start=self.offset,
            end=self.offset + self.length,
            size=self.size,
        )


@dataclass
class StructureError(WitnessError):
    """An on-disk structure that cannot be read as one; `offset` in bytes of its window."""

    structure: str
    offset: int
    field: str
    expected: str
    got: str

    def __str__(self) -> str:
        return say(
            "{structure} at byte {offset}: {field} should be {expected}, is {got}.",
            structure=self.structure,
            offset=self.offset,
            field=self.field,
            expected=self.expected,
            got=self.got,
        )


class TooMuch(StructureError):
    """More in a structure than any real one holds: nothing further is read of it."""


@dataclass
class ReaderError(WitnessError):
    """A volume library gave up on a filesystem."""

    reader: str
    doing: str
    reason: str

    def __str__(self) -> str:
        return say(
            "{reader} could not {doing}: {reason}.",
            reader=self.reader,
            doing=self.doing,
            reason=self.reason,
        )


@dataclass
class ViewRefused(WitnessError):
    """What was handed in as an unlocked view, or a snapshot, of a partition, and is neither."""

    path: str
    partition: int
    reason: str

    def __str__(self) -> str:
        return say(
            "{path}: cannot be read in the place of partition {partition}: {reason}.",
            path=self.path,
            partition=self.partition,
            reason=self.reason,
        )

    def hint(self) -> str:
        """Say what a view is."""
        return say(
            "Unlock an encrypted partition read-only, and name the device that appears. For one in"
            " use, name a snapshot of it."
        )


@dataclass
class ResumeRefused(WitnessError):
    """A reading that was cut off, and cannot go on: the drive is another one, or has changed."""

    path: str
    reason: str

    def __str__(self) -> str:
        return say(
            "{path}: the interrupted reading cannot be continued: {reason}.",
            path=self.path,
            reason=self.reason,
        )

    def hint(self) -> str:
        """Say how to begin anew."""
        return say(
            "Remove that folder, or name another file with -o, and read the whole drive again."
        )


@dataclass
class ManifestError(WitnessError):
    """A manifest cannot be used."""

    path: str

    def __str__(self) -> str:
        return say("{path}: cannot be used as a manifest.", path=self.path)


@dataclass
class ManifestForeign(ManifestError):
    """Not a manifest of this tool at all."""

    reason: str

    def __str__(self) -> str:
        return say("{path}: is not a manifest: {reason}.", path=self.path, reason=self.reason)


@dataclass
class ManifestTruncated(ManifestError):
    """It ends before its trailer; `rows` were read."""

    rows: int

    def __str__(self) -> str:
        return say(
            "{path}: the manifest ends early, after {rows:,} rows.", path=self.path, rows=self.rows
        )

    def hint(self) -> str:
        """Say what to do."""
        return say("Take another copy of it, or capture the drive again.")


@dataclass
class ManifestAltered(ManifestError):
    """Its digest or its counts do not match its trailer."""

    field: str
    expected: str
    got: str

    def __str__(self) -> str:
        return say(
            "{path}: the manifest was altered or damaged: {field} should be {expected}, is {got}.",
            path=self.path,
            field=self.field,
            expected=self.expected,
            got=self.got,
        )

    def hint(self) -> str:
        """Say what to do."""
        return say("Do not rely on it. Take another copy of it, or capture the drive again.")


@dataclass
class ManifestTooNew(ManifestError):
    """Written in a later schema than this version reads."""

    schema: str
    newest: str

    def __str__(self) -> str:
        return say(
            "{path}: was written in format {schema}; this version reads up to {newest}.",
            path=self.path,
            schema=self.schema,
            newest=self.newest,
        )

    def hint(self) -> str:
        """Say what to do."""
        return say("Read it with the version that wrote it, or a later one.")


@dataclass
class ComparisonForeign(WitnessError):
    """A file that holds no comparison, or not enough of one to make a report from."""

    path: str
    reason: str

    def __str__(self) -> str:
        return say("{path}: is not a comparison: {reason}.", path=self.path, reason=self.reason)

    def hint(self) -> str:
        """Say where comparisons come from."""
        return say("Name a file with what `compare --json` or `check --json` printed.")


@dataclass
class FitForeign(WitnessError):
    """A file that holds no fit."""

    path: str
    reason: str

    def __str__(self) -> str:
        return say("{path}: is not a fit: {reason}.", path=self.path, reason=self.reason)

    def hint(self) -> str:
        """Say where fits come from."""
        return say("Name a file that `fit -o` wrote.")


@dataclass
class ArchiveError(WitnessError):
    """An archive of jobs cannot be used."""

    path: str

    def __str__(self) -> str:
        return say("{path}: cannot be used as an archive of jobs.", path=self.path)


@dataclass
class ArchiveForeign(ArchiveError):
    """A folder that is no archive."""

    reason: str

    def __str__(self) -> str:
        return say(
            "{path}: is not an archive of jobs: {reason}.", path=self.path, reason=self.reason
        )

    def hint(self) -> str:
        """Say how one comes to be."""
        return say("`check --job` and `jobs add` make one, in a new or empty folder.")


@dataclass
class NothingNamed(ArchiveError):
    """A name that is no manifest's, and no archive whose job it could be."""

    name: str

    def __str__(self) -> str:
        return say(
            "{name}: there is no such manifest, and no archive of jobs in {archive}.",
            name=self.name,
            archive=self.path,
        )

    def hint(self) -> str:
        """Say what to name."""
        return say("Name the manifest of the new drive, or the job's archive with --archive.")


@dataclass
class ArchiveBusy(ArchiveError):
    """Somebody else has been filing for longer than anybody should."""

    seconds: float

    def __str__(self) -> str:
        return say(
            "{path}: another run has been writing there for {seconds:.0f} s.",
            path=self.path,
            seconds=self.seconds,
        )

    def hint(self) -> str:
        """Say what to do."""
        return say("Wait until the other run has ended, then try again.")


@dataclass
class JobUnknown(ArchiveError):
    """No job of that name."""

    job: str

    def __str__(self) -> str:
        return say("{path}: there is no job {job}.", path=self.path, job=self.job)

    def hint(self) -> str:
        """Say where the names are."""
        return say("`jobs list` lists the jobs.")


@dataclass
class JobTaken(ArchiveError):
    """There is a job of that name already."""

    job: str

    def __str__(self) -> str:
        return say(
            "{path}: job {job} already exists, and jobs are never replaced.",
            path=self.path,
            job=self.job,
        )

    def hint(self) -> str:
        """Say what to do."""
        return say("Use another name.")


@dataclass
class JobDamaged(ArchiveError):
    """A file of a job is gone, or is not what it was."""

    job: str
    reason: str

    def __str__(self) -> str:
        return say("{path}: job {job}: {reason}.", path=self.path, job=self.job, reason=self.reason)

    def hint(self) -> str:
        """Say what tells more."""
        return say("`jobs verify` names every file that changed, is missing or was added.")


@dataclass
class AuditForeign(WitnessError):
    """A file that holds no plan, or no result, of an audit."""

    path: str
    reason: str

    def __str__(self) -> str:
        return say(
            "{path}: is not the file of an audit: {reason}.", path=self.path, reason=self.reason
        )

    def hint(self) -> str:
        """Say where such files come from."""
        return say("`audit plan -o` writes a plan, `audit run -o` a result.")


@dataclass
class MachineUntold(WitnessError):
    """This machine does not tell what was asked of it."""

    system: str
    reason: str

    def __str__(self) -> str:
        return say(
            "{system} does not report the drives of this machine: {reason}.",
            system=self.system,
            reason=self.reason,
        )

    def hint(self) -> str:
        """Say where it is known to work."""
        return say(
            "Start the machine from a Linux medium, and run `identify` on its drive instead."
        )


@dataclass
class SettingsUnusable(WitnessError):
    """A settings file that cannot be read, or that must not be obeyed."""

    path: str
    reason: str

    def __str__(self) -> str:
        return say(
            "{path}: cannot be used as the settings file: {reason}.",
            path=self.path,
            reason=self.reason,
        )

    def hint(self) -> str:
        """Say what a settings file must be."""
        return say(
            "It must be an ordinary file of yours or root's that only its owner may change (mode"
            " 0600 or 0644)."
        )


@dataclass
class LogoUnusable(WitnessError):
    """A file that cannot stand as the shop's logo in a report."""

    path: str
    reason: str

    def __str__(self) -> str:
        return say(
            "{path}: cannot be used as a logo: {reason}.", path=self.path, reason=self.reason
        )

    def hint(self) -> str:
        """Say what a logo is."""
        return say("Give a PNG or JPEG picture of at most 1 MiB.")


@dataclass
class KeyUnusable(WitnessError):
    """A file that holds no key, or one that others may read."""

    path: str
    reason: str

    def __str__(self) -> str:
        return say("{path}: cannot be used as a key: {reason}.", path=self.path, reason=self.reason)

    def hint(self) -> str:
        """Say what a key is."""
        return say("`jobs key` makes a key. Only its owner may be able to read it (mode 0600).")


@dataclass
class OutputError(WitnessError):
    """A result could not be written."""

    path: str
    reason: str
    advice: str = ""

    def __str__(self) -> str:
        return say("{path}: could not be written: {reason}.", path=self.path, reason=self.reason)

    def hint(self) -> str:
        """Return the advice given with the reason."""
        return self.advice
