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
    │   ├── ArchiveForeign                     a folder that is none
    │   ├── ArchiveBusy                        somebody else has been filing for too long
    │   ├── JobUnknown                         no job of that name
    │   ├── JobTaken                           there is a job of that name
    │   └── JobDamaged                         a file of a job is gone, or is not what it was
    ├── MachineUntold                          this machine does not tell what was asked of it
    ├── AuditForeign                           a file that holds no plan or result of an audit
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
    advice: str = ""

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
        return f"{self.source}: cannot be used as a drive."


@dataclass
class SourceMissing(SourceError):
    """Nothing is there under that name."""

    def __str__(self) -> str:
        return f"{self.source}: there is no such file or device."

    def hint(self) -> str:
        """Say where names come from."""
        return "Check the spelling; `show` on a device or an image tells what is on it."


@dataclass
class SourceNotDrive(SourceError):
    """A folder, a pipe or a socket where a device or an image file belongs."""

    found: str

    def __str__(self) -> str:
        return f"{self.source}: is {self.found}, not a drive or an image of one."

    def hint(self) -> str:
        """Say what belongs there."""
        return "Give a block device, a raw image file or a manifest."


@dataclass
class SourceForeign(SourceError):
    """A file that holds no drive."""

    reason: str

    def __str__(self) -> str:
        return f"{self.source}: holds no drive: {self.reason}."

    def hint(self) -> str:
        """Say what belongs there."""
        return "Give a block device, a raw image file (sector by sector) or a manifest."


@dataclass
class ImageRefused(SourceError):
    """An image in a container that is not read: of another kind, incomplete or damaged.

    `kind`: what it is, as in "a VHDX"; `reason`: a clause; `advice`: a sentence.
    """

    kind: str
    reason: str
    advice: str

    def __str__(self) -> str:
        return f"{self.source}: is {self.kind} that cannot be read: {self.reason}."

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
            return f"{self.source}: is partition {self.number} of {self.drive}, not a whole drive."
        if self.drive is not None:
            return f"{self.source}: is a part of {self.drive}, not a whole drive."
        if self.start is not None:
            return (
                f"{self.source}: is one partition, not a whole drive: its boot sector begins at"
                f" sector {self.start} of a drive."
            )
        return f"{self.source}: is of one partition, not of a whole drive."

    def hint(self) -> str:
        """Name what to give instead, and the way to look at one partition on purpose."""
        instead = "the whole drive, or an image of it" if self.drive is None else self.drive
        return f"Give {instead}. To examine one partition on purpose, say --one-partition."


@dataclass
class SourceForbidden(SourceError):
    """The system does not let this user read it; `advice`: how this system would."""

    advice: str = ""

    def __str__(self) -> str:
        return f"{self.source}: no permission to read it."

    def hint(self) -> str:
        """Say how a drive is usually read."""
        return (
            self.advice
            or "Reading a drive needs administrator rights; nothing is ever written to it."
        )


@dataclass
class SourceVanished(SourceError):
    """It went away, or became shorter, while it was being read."""

    reason: str

    def __str__(self) -> str:
        return f"{self.source}: went away while it was being read: {self.reason}."

    def hint(self) -> str:
        """Say what to look at."""
        return "Check the cable, the adapter and its power, then start again."


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
    """What was handed in as an unlocked view of an encrypted partition, and is none."""

    path: str
    partition: int
    reason: str

    def __str__(self) -> str:
        return f"{self.path}: is no view of partition {self.partition}: {self.reason}."

    def hint(self) -> str:
        """Say what a view is."""
        return (
            "Unlock that partition of that drive read-only, and give what appears then; of a plain"
            " partition, give an existing snapshot."
        )


@dataclass
class ResumeRefused(WitnessError):
    """A reading that was cut off, and cannot go on: the drive is another one, or has changed."""

    path: str
    reason: str

    def __str__(self) -> str:
        return f"{self.path}: the reading that was cut off cannot go on: {self.reason}."

    def hint(self) -> str:
        """Say how to begin anew."""
        return "Remove that folder, or give another name to -o, and read the whole drive again."


@dataclass
class ManifestError(WitnessError):
    """A manifest cannot be used."""

    path: str

    def __str__(self) -> str:
        return f"{self.path}: cannot be used as a manifest."


@dataclass
class ManifestForeign(ManifestError):
    """Not a manifest of this tool at all."""

    reason: str

    def __str__(self) -> str:
        return f"{self.path}: is not a manifest: {self.reason}."


@dataclass
class ManifestTruncated(ManifestError):
    """It ends before its trailer; `rows` were read."""

    rows: int

    def __str__(self) -> str:
        return f"{self.path}: the manifest ends after {self.rows} rows, before its trailer."

    def hint(self) -> str:
        """Say what to do."""
        return "It was cut short; take another copy of it, or capture the drive again."


@dataclass
class ManifestAltered(ManifestError):
    """Its digest or its counts do not match its trailer."""

    field: str
    expected: str
    got: str

    def __str__(self) -> str:
        return (
            f"{self.path}: the manifest was altered or damaged: {self.field} should be"
            f" {self.expected}, is {self.got}."
        )

    def hint(self) -> str:
        """Say what to do."""
        return "Do not rely on it; take another copy of it, or capture the drive again."


@dataclass
class ManifestTooNew(ManifestError):
    """Written in a later schema than this version reads."""

    schema: str
    newest: str

    def __str__(self) -> str:
        return f"{self.path}: was written as {self.schema}; this version reads up to {self.newest}."

    def hint(self) -> str:
        """Say what to do."""
        return "Read it with the version that wrote it, or a later one."


@dataclass
class ComparisonForeign(WitnessError):
    """A file that holds no comparison, or not enough of one to make a report from."""

    path: str
    reason: str

    def __str__(self) -> str:
        return f"{self.path}: is no comparison: {self.reason}."

    def hint(self) -> str:
        """Say where comparisons come from."""
        return "Give what `compare --json` or `check --json` printed, saved as a file."


@dataclass
class FitForeign(WitnessError):
    """A file that holds no fit."""

    path: str
    reason: str

    def __str__(self) -> str:
        return f"{self.path}: is no fit: {self.reason}."

    def hint(self) -> str:
        """Say where fits come from."""
        return "Give a file that `fit -o` wrote."


@dataclass
class ArchiveError(WitnessError):
    """An archive of jobs cannot be used."""

    path: str

    def __str__(self) -> str:
        return f"{self.path}: cannot be used as an archive of jobs."


@dataclass
class ArchiveForeign(ArchiveError):
    """A folder that is no archive."""

    reason: str

    def __str__(self) -> str:
        return f"{self.path}: is no archive of jobs: {self.reason}."

    def hint(self) -> str:
        """Say how one comes to be."""
        return "The first job that is filed makes one, in a new or empty folder."


@dataclass
class ArchiveBusy(ArchiveError):
    """Somebody else has been filing for longer than anybody should."""

    seconds: float

    def __str__(self) -> str:
        return f"{self.path}: somebody else has been filing there for {self.seconds:.0f} s."

    def hint(self) -> str:
        """Say what to do."""
        return "Try again; a program that ended, however it did, holds nothing back."


@dataclass
class JobUnknown(ArchiveError):
    """No job of that name."""

    job: str

    def __str__(self) -> str:
        return f"{self.path}: there is no job {self.job}."

    def hint(self) -> str:
        """Say where the names are."""
        return "`jobs list` names them."


@dataclass
class JobTaken(ArchiveError):
    """There is a job of that name already."""

    job: str

    def __str__(self) -> str:
        return f"{self.path}: there is a job {self.job} already, and none is ever replaced."

    def hint(self) -> str:
        """Say what to do."""
        return "File it under another name."


@dataclass
class JobDamaged(ArchiveError):
    """A file of a job is gone, or is not what it was."""

    job: str
    reason: str

    def __str__(self) -> str:
        return f"{self.path}: job {self.job}: {self.reason}."

    def hint(self) -> str:
        """Say what tells more."""
        return "`jobs verify` names every file that changed, is missing or was added."


@dataclass
class AuditForeign(WitnessError):
    """A file that holds no plan, or no result, of an audit."""

    path: str
    reason: str

    def __str__(self) -> str:
        return f"{self.path}: is not of an audit: {self.reason}."

    def hint(self) -> str:
        """Say where such files come from."""
        return "`audit plan -o` writes a plan, `audit run -o` the result of one."


@dataclass
class MachineUntold(WitnessError):
    """This machine does not tell what was asked of it."""

    system: str
    reason: str

    def __str__(self) -> str:
        return f"{self.system} does not tell about this machine's drives: {self.reason}."

    def hint(self) -> str:
        """Say where it is known to work."""
        return "Start the machine from a Linux medium and give `identify` its drive instead."


@dataclass
class KeyUnusable(WitnessError):
    """A file that holds no key, or one that others may read."""

    path: str
    reason: str

    def __str__(self) -> str:
        return f"{self.path}: cannot be used as a key: {self.reason}."

    def hint(self) -> str:
        """Say what a key is."""
        return "`jobs key` makes one; it must belong to its owner alone (mode 0600)."


@dataclass
class OutputError(WitnessError):
    """A result could not be written."""

    path: str
    reason: str
    advice: str = ""

    def __str__(self) -> str:
        return f"{self.path}: could not be written: {self.reason}."

    def hint(self) -> str:
        """Return the advice given with the reason."""
        return self.advice
