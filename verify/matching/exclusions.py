"""What a good clone may lack or hold otherwise, whatever the times say: each row with its source.

The one table of it: `habits` matches paths by it, `drivewitness rules exclusions` prints it, and
docs/rules/exclusions.md is made from it. Nothing outside this table is excused.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Excuses(StrEnum):
    """What a row may excuse."""

    ABSENCE = "absence"
    CONTENTS = "other contents"
    BOTH = "absence and other contents"


class Volumes(StrEnum):
    """On which volumes a row holds."""

    ANY = "any"
    LINUX_ROOT = "the root of a Linux system"


class Sort(StrEnum):
    """What the row's files are, which says what a finding about them means."""

    LEFT_OUT = "left out of copies"
    UNSYNCHRONISED = "changes that no server has yet"
    REWRITTEN = "rewritten for the new drive"


@dataclass(frozen=True, slots=True, kw_only=True)
class Exclusion:
    """One row: paths from the root of a volume (patterns as in `habits`), and why."""

    paths: tuple[str, ...]
    sort: Sort
    excuses: Excuses
    why: str
    source: str
    volumes: Volumes = Volumes.ANY

    @property
    def level(self) -> str:
        """The level of what it excuses."""
        return "review" if self.sort is Sort.UNSYNCHRONISED else "note"


_NOT_TO_BACK_UP = (
    'Microsoft Learn, "Registry Keys and Values for Backup and Restore" (FilesNotToBackup)'
)
_HIERARCHY = "FHS 3.0"

EXCLUSIONS = (
    Exclusion(
        paths=("/pagefile.sys", "/swapfile.sys", "/hiberfil.sys"),
        sort=Sort.LEFT_OUT,
        excuses=Excuses.BOTH,
        why="Memory of the running system; it is made anew at each start.",
        source=_NOT_TO_BACK_UP,
    ),
    Exclusion(
        paths=("/swapfile", "/swap.img"),
        sort=Sort.LEFT_OUT,
        excuses=Excuses.BOTH,
        why="Memory of the running system.",
        source="common practice",
        volumes=Volumes.LINUX_ROOT,
    ),
    Exclusion(
        paths=("/$ntfs.log",),
        sort=Sort.LEFT_OUT,
        excuses=Excuses.BOTH,
        why="A log of the volume itself.",
        source="Microsoft Learn, the default exclusion list of image capture",
    ),
    Exclusion(
        paths=("/System Volume Information", "/System Volume Information/"),
        sort=Sort.LEFT_OUT,
        excuses=Excuses.BOTH,
        why="Snapshots and indexes of this volume. The store of deduplicated files in it is not"
        " excused.",
        source=f'{_NOT_TO_BACK_UP}; "Excluding Files from Shadow Copies"; libvshadow, "VSS format"',
    ),
    Exclusion(
        paths=(
            "/$Recycle.Bin",
            "/$Recycle.Bin/",
            "/RECYCLER",
            "/RECYCLER/",
            "/RECYCLED",
            "/RECYCLED/",
        ),
        sort=Sort.LEFT_OUT,
        excuses=Excuses.BOTH,
        why="What somebody threw away.",
        source="Microsoft Learn, the default exclusion list of image capture",
    ),
    Exclusion(
        paths=(
            "/Windows/Temp",
            "/Windows/Temp/",
            "/Users/*/AppData/Local/Temp",
            "/Users/*/AppData/Local/Temp/",
        ),
        sort=Sort.LEFT_OUT,
        excuses=Excuses.ABSENCE,
        why="Temporary files. A file that is there has to be whole; a missing office document of"
        " a person's is `review`.",
        source=f"{_NOT_TO_BACK_UP}: %TEMP%\\* /s",
    ),
    Exclusion(
        paths=("/Windows/CSC", "/Windows/CSC/"),
        sort=Sort.UNSYNCHRONISED,
        excuses=Excuses.ABSENCE,
        why="Offline files: copies of a server's files, and changes that no server has yet.",
        source=f"{_NOT_TO_BACK_UP}: %windir%\\csc\\* /s",
    ),
    Exclusion(
        paths=("/tmp", "/tmp/"),  # noqa: S108 - a path on a drive
        sort=Sort.LEFT_OUT,
        excuses=Excuses.BOTH,
        why="Programs must not expect that it outlives them. /var/tmp is not in this table: it is"
        " kept across restarts.",
        source=f"{_HIERARCHY}, 3.18 and 5.15",
        volumes=Volumes.LINUX_ROOT,
    ),
    Exclusion(
        paths=("/run", "/run/"),
        sort=Sort.LEFT_OUT,
        excuses=Excuses.BOTH,
        why="It is emptied at each start.",
        source=f"{_HIERARCHY}, 3.15",
        volumes=Volumes.LINUX_ROOT,
    ),
    Exclusion(
        paths=("/EFI/Microsoft/Boot/BCD", "/Boot/BCD"),
        sort=Sort.REWRITTEN,
        excuses=Excuses.CONTENTS,
        why="It stores its own drive's identity. What it says is judged by boot-reference.",
        source='Microsoft Learn, "BCD System Store Settings"',
    ),
    Exclusion(
        paths=("/EFI/Microsoft/Boot/BCD.LOG*", "/Boot/BCD.LOG*"),
        sort=Sort.REWRITTEN,
        excuses=Excuses.BOTH,
        why="The boot store's own log.",
        source='Microsoft Learn, "BCD System Store Settings"',
    ),
    Exclusion(
        paths=(
            "/Windows/System32/Recovery/ReAgent.xml",
            "/Recovery/WindowsRE/ReAgent.xml",
        ),
        sort=Sort.REWRITTEN,
        excuses=Excuses.CONTENTS,
        why="It names the recovery partition. What it says is judged by recovery-reference.",
        source='Microsoft Learn, "REAgentC"',
    ),
)


def paths_of(sort: Sort, *, volumes: Volumes, excuses: Excuses) -> tuple[str, ...]:
    """Return the patterns of all rows of a sort that hold on such volumes and excuse that."""
    return tuple(
        path
        for row in EXCLUSIONS
        if row.sort is sort and row.volumes is volumes and row.excuses in {excuses, Excuses.BOTH}
        for path in row.paths
    )
