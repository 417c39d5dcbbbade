"""Pairs of a running system and its clone, by a seed: what a filesystem does, played on rows.

A `Volume` keeps times as NTFS and ext do: a write sets a file's modified and changed time, a
rename its changed time, and every name that comes or goes the times of its folder (POSIX.1-2017,
4.9 "File Times Update"). A snapshot takes all rows at one moment; a torn copy takes each row when
its turn comes, while the system writes on.
"""

from __future__ import annotations

import random
from copy import deepcopy
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from blake3 import blake3

from tests.rules.contents.drives import SECOND, Side
from verify.filesystem.entry import Entry

if TYPE_CHECKING:
    from collections.abc import Iterable

NOW = 1_760_000_000 * SECOND
"""When the system begins to run; all that was there before is older."""

HOUR = 3600 * SECOND
DAY = 24 * HOUR

WINDOWS_MACHINE = (
    "/Windows/Prefetch/{n}.pf",
    "/Windows/Logs/CBS/{n}.log",
    "/Windows/System32/winevt/Logs/{n}.evtx",
    "/Windows/SoftwareDistribution/Download/{n}.cab",
    "/Users/orla/AppData/Local/Browser/Cache/f_{n}",
    "/Users/orla/AppData/Local/Microsoft/Windows/Explorer/thumbcache_{n}.db",
    "/Users/orla/AppData/Roaming/Browser/Profile/{n}-wal",
    "/ProgramData/Scanner/state-{n}.dat",
)
WINDOWS_WORK = (
    "/Users/orla/Documents/letter-{n}.docx",
    "/Users/orla/Pictures/2024/img-{n}.jpg",
    "/Users/orla/Desktop/plan-{n}.xlsx",
    "/Projects/bridge/part-{n}.dwg",
)
LINUX_MACHINE = (
    "/var/log/unit-{n}.log",
    "/var/cache/app/{n}.bin",
    "/home/orla/.cache/thumbs/{n}.png",
    "/home/orla/.config/browser/{n}-journal",
    "/var/lib/systemd/timers/{n}",
)
LINUX_WORK = (
    "/home/orla/letters/{n}.odt",
    "/home/orla/pictures/{n}.jpg",
    "/srv/archive/{n}.pdf",
    "/etc/app/{n}.conf",
)
DATA_WORK = ("/photos/2023/{n}.jpg", "/photos/2024/{n}.jpg", "/books/{n}.ods")
DATA_MACHINE = ("/photos/2024/~${n}.docx", "/books/.~lock.{n}.ods#")

SYSTEM = {
    "windows": ("/Windows/System32/drivers/{n}.sys", "/Program Files/Suite/{n}.dll"),
    "linux": ("/usr/lib/part/{n}.so", "/usr/share/doc/{n}.txt"),
    "data": ("/photos/2019/{n}.jpg",),
}
NAMES = {
    "windows": (WINDOWS_MACHINE, WINDOWS_WORK),
    "linux": (LINUX_MACHINE, LINUX_WORK),
    "data": (DATA_MACHINE, DATA_WORK),
}
MARKS = ("~$", ".~")
"""What the names of office programs' locks begin with."""

HIVES = ("/Windows/System32/config/SOFTWARE", "/Users/orla/NTUSER.DAT", "/Users/bea/NTUSER.DAT")


@dataclass
class Volume:
    """A filesystem that keeps times, and nothing else."""

    rows: dict[str, Entry] = field(default_factory=dict)
    clock: int = NOW - 400 * DAY
    nodes: int = 100
    writes: int = 0

    def size(self, path: str, dice: random.Random) -> int:
        """Return a length for a file: locks are short, as those of office programs are."""
        size = dice.randrange(1, 90_000)
        return size % 150 if path.rpartition("/")[2][:2] in MARKS else size

    def digest(self) -> str:
        """Return contents that nothing had before."""
        self.writes += 1
        return blake3(b"%d" % self.writes).hexdigest()

    def touch_folder(self, path: str) -> None:
        """Set the times of a path's folder, and make it if it lacks."""
        folder = path.rpartition("/")[0]
        if not folder:
            return
        if folder not in self.rows:
            self.touch_folder(folder)
            self.rows[folder] = self.new("folder", folder)
        self.rows[folder].modified = self.rows[folder].changed = self.clock

    def new(self, kind: str, path: str) -> Entry:
        """Return a row of a name that is made now."""
        self.nodes += 1
        entry = Entry("folder" if kind == "folder" else "file", path, node=self.nodes)
        entry.modified = entry.changed = entry.created = self.clock
        return entry

    def write(self, path: str, size: int) -> None:
        """Write a file anew, or make it."""
        if path not in self.rows:
            self.touch_folder(path)
            self.rows[path] = self.new("file", path)
        row = self.rows[path]
        row.size, row.digest = size, self.digest()
        row.modified = row.changed = self.clock

    def rename(self, path: str, other: str) -> None:
        """Rename or move a file."""
        self.touch_folder(path)
        self.touch_folder(other)
        row = self.rows.pop(path)
        row.path, row.changed = other, self.clock
        self.rows[other] = row

    def delete(self, path: str) -> None:
        """Delete a file."""
        self.touch_folder(path)
        del self.rows[path]

    def files(self, *starts: str) -> list[str]:
        """Return the files below some folders, or all."""
        found = [path for path, row in self.rows.items() if row.kind == "file"]
        return [path for path in found if not starts or path.startswith(starts)]


@dataclass
class Running:
    """A system that is used, copied while it runs, and used on."""

    kind: str
    seed: int
    innocent: int = 300
    torn: bool = False
    volume: Volume = field(default_factory=Volume)
    copy: dict[str, Entry] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Set it up, run it, copy it, run it on."""
        self.dice = random.Random(self.seed)
        self.set_up()
        self.volume.clock = NOW
        self.run(self.innocent // 6, HOUR * 20)
        if self.torn:
            self.copy_torn()
        else:
            self.volume.clock += SECOND
            self.copy = deepcopy(self.volume.rows)
        self.run(self.innocent, HOUR * self.dice.choice((1, 6, 70)))

    def set_up(self) -> None:
        """Make what is there before, over a year."""
        volume, (machine, work) = self.volume, NAMES[self.kind]
        for number in range(120):
            for form in (*SYSTEM[self.kind], *machine, *work):
                volume.clock += self.dice.randrange(60, 3000) * SECOND
                path = form.format(n=number)
                volume.write(path, volume.size(path, self.dice))
        if self.kind == "windows":
            for path in (*HIVES, "/Users/orla/Mail/mail.pst", "/pagefile.sys"):
                volume.write(path, 70_000)
        if self.kind == "linux":
            volume.write("/etc/passwd", 900)
            volume.write("/tmp/session", 10)  # noqa: S108 - a path on a drive

    def run(self, steps: int, span: int) -> None:
        """Let programs write all the time, and people now and then."""
        end = self.volume.clock + span
        for _ in range(steps):
            self.volume.clock += span // steps
            self.step()
        self.volume.clock = end
        if self.kind == "windows":
            for path in HIVES[:2]:
                self.volume.write(path, 70_000)

    def step(self) -> None:
        """Do one thing."""
        volume, dice, (machine, work) = self.volume, self.dice, NAMES[self.kind]
        forms, number = machine if dice.random() < 0.93 else work, dice.randrange(4000)
        path = dice.choice(forms).format(n=number % 300)
        what = dice.random()
        if path not in volume.rows or what < 0.7:
            volume.write(path, volume.size(path, dice))
        elif what < 0.85:
            volume.delete(path)
        else:
            folder, _, name = path.rpartition("/")
            mark = name[:2] if name[:2] in MARKS else ""
            other = f"{folder}/{mark}renamed {volume.nodes} {name.removeprefix(mark)}"
            volume.rename(path, other)

    def copy_torn(self) -> None:
        """Copy row after row by their nodes, while the system writes on for two hours."""
        turns = 60
        slice_ = self.volume.nodes // turns + 1
        for turn in range(turns):
            self.volume.clock += 2 * HOUR // turns
            for _ in range(2):
                self.step()
            for path, row in self.volume.rows.items():
                if row.node // slice_ == turn:
                    self.copy[path] = deepcopy(row)
        # NOTE: what was made meanwhile has nodes beyond the last turn, and is not in the copy.
        held = {path for path in self.copy if path.rpartition("/")[0] not in {"", *self.copy}}
        for path in held:
            del self.copy[path]

    def sides(self) -> tuple[Side, Side]:
        """Return both drives as the comparison takes them."""
        kind, ended = "ext4" if self.kind == "linux" else "ntfs", (NOW + 5 * DAY) // SECOND
        old, new = (
            Side([replace(row, path=path) for path, row in rows.items()], kind=kind, ended=ended)
            for rows in (self.volume.rows, self.copy)
        )
        return old, new

    def files_lost(self) -> set[str]:
        """Return the names that the copy lacks."""
        return self.volume.rows.keys() - self.copy.keys()

    def untouched(self, forms: Iterable[str]) -> list[str]:
        """Return the files of some forms that nobody wrote after the copy, oldest first."""
        starts = tuple(form.rpartition("/")[0] for form in forms)
        rows = self.volume.rows
        return [
            path
            for path in self.volume.files(*starts)
            if path in self.copy and rows[path] == self.copy[path]
        ]
