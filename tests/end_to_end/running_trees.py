"""What lies on the volumes of the forty pairs, what writes there, and when they are copied."""

from __future__ import annotations

import random
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from tests.end_to_end.running_volumes import Ext4, Ntfs, Running

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

DAY = 24 * 3600
BEGIN = 1_770_000_000
"""When the volumes are made; they are used for a year before the first copy."""

WINDOWS_MACHINE = (
    "/Windows/Prefetch/TOOL{n}.EXE-0A1B.pf",
    "/Windows/Logs/CBS/persist-{n}.log",
    "/Windows/System32/winevt/Logs/Application-{n}.evtx",
    "/Windows/SoftwareDistribution/Download/{n}.cab",
    "/Windows/Temp/tmp{n}.tmp",
    "/Users/orla/AppData/Local/Temp/~DF{n}.TMP",
    "/Users/orla/AppData/Local/Browser/User Data/Default/Cache/f_{n}",
    "/Users/orla/AppData/Local/Browser/User Data/Default/Session Storage/{n}.log",
    "/Users/orla/AppData/Local/Microsoft/Windows/Explorer/thumbcache_{n}.db",
    "/Users/orla/AppData/Roaming/Mailer/Profiles/main/{n}.sqlite-wal",
    "/ProgramData/Scanner/state-{n}.dat",
    "/$Recycle.Bin/S-1-5-21-1001/$R{n}.txt",
    "/System Volume Information/tracking-{n}.log",
)
WINDOWS_WORK = (
    "/Users/orla/Documents/letters/letter-{n}.docx",
    "/Users/orla/Pictures/2026/img-{n}.jpg",
    "/Users/orla/Desktop/plan-{n}.xlsx",
    "/Projects/bridge/part-{n}.dwg",
)
WINDOWS_STILL = (
    "/Windows/System32/drivers/dev{n}.sys",
    "/Program Files/Suite/lib{n}.dll",
    "/Users/bea/Documents/novel/chapter-{n}.odt",
)
WINDOWS_OPEN = (
    "/Windows/System32/config/SYSTEM",
    "/Windows/System32/config/SOFTWARE",
    "/Users/orla/NTUSER.DAT",
    "/Users/orla/AppData/Local/Microsoft/Windows/UsrClass.dat",
    "/Users/orla/Documents/Mail/archive.pst",
    "/Machines/ledger.vhdx",
    "/ProgramData/Till/sales.mdb",
    "/Windows/System32/winevt/Logs/System.evtx",
)
LINUX_MACHINE = (
    "/var/log/unit-{n}.log",
    "/var/cache/app/{n}.bin",
    "/var/lib/systemd/timers/stamp-{n}",
    "/var/tmp/part-{n}.tmp",  # noqa: S108 - a path on a drive
    "/tmp/session-{n}",  # noqa: S108 - a path on a drive
    "/run/user/{n}.pid",
    "/home/orla/.cache/thumbnails/{n}.png",
    "/home/orla/.config/browser/Default/Cache/f_{n}",
    "/home/orla/.mozilla/profile/{n}.sqlite-journal",
)
LINUX_WORK = (
    "/home/orla/letters/{n}.odt",
    "/home/orla/pictures/{n}.jpg",
    "/srv/archive/{n}.pdf",
    "/etc/app/{n}.conf",
)
LINUX_STILL = (
    "/usr/lib/app/{n}.so",
    "/usr/bin/tool-{n}",
    "/home/bea/thesis/chapter-{n}.tex",
)
LINUX_OPEN = (
    "/var/lib/mysql/shop/orders.ibd",
    "/var/mail/orla.mbox",
    "/srv/machines/ledger.qcow2",
    "/home/orla/accounts.sqlite",
    "/var/log/journal/system.journal",
)


@dataclass(frozen=True, kw_only=True)
class Tree:
    """What a volume holds, and who writes it.

    `still`: what nobody writes after the first copy. `open`: what programs write in place all the
    time, a person's `stores` among it. `kept`: the same, of programs that run no more.
    """

    kind: type[Running]
    machine: tuple[str, ...]
    work: tuple[str, ...]
    still: tuple[str, ...]
    open: tuple[str, ...]
    stores: tuple[str, ...]
    kept: tuple[str, ...]


WINDOWS = Tree(
    kind=Ntfs,
    machine=WINDOWS_MACHINE,
    work=WINDOWS_WORK,
    still=WINDOWS_STILL,
    open=WINDOWS_OPEN,
    stores=WINDOWS_OPEN[4:6],
    kept=("/Users/bea/NTUSER.DAT", "/Windows/System32/config/SAM", "/Users/bea/Mail/old.pst"),
)
LINUX = Tree(
    kind=Ext4,
    machine=LINUX_MACHINE,
    work=LINUX_WORK,
    still=LINUX_STILL,
    open=LINUX_OPEN,
    stores=LINUX_OPEN[:4],
    kept=("/etc/passwd", "/home/bea/Mail/INBOX"),
)

NUMBERS = 300
KEEP_EVERY = 10
"""Of the files of each form every tenth is left alone after the first copy."""

LONGEST_IN_RECORD = 900
"""A longer file has clusters of its own on NTFS (records of 1,024 bytes)."""

INSIDE = 60_000
"""Length of a file that is written in place."""


@dataclass
class Copy:
    """One copy of a volume: `since`: the names that were written, renamed or deleted afterwards."""

    image: Path
    at: int
    torn: bool
    mark: int
    since: set[str] = field(default_factory=set)


@dataclass
class Life:
    """A volume, its copies, and its use until the end, which is `image`.

    `renamed`: kept files that were renamed after the last copy, and what they are called then.
    """

    tree: Tree
    volume: Running
    copies: list[Copy] = field(default_factory=list)
    files: dict[str, bytes] = field(default_factory=dict)
    renamed: dict[str, str] = field(default_factory=dict)

    @property
    def image(self) -> Path:
        """The old drive."""
        return self.volume.image

    def write(self, path: str, size: int | None = None) -> None:
        """Write a file of random contents; some fit into their record, most do not."""
        dice = self.volume.dice
        data = dice.randbytes(size or dice.choice((300, 900, 1700, 2600, 3900, 5200)))
        self.files[path] = data
        self.volume.write(path, data)

    def set_up(self) -> None:
        """Make what was there before: over a year, form by form."""
        tree, volume = self.tree, self.volume
        for number in range(NUMBERS):
            volume.at(BEGIN + number * DAY)
            for form in (*tree.machine, *tree.work, *tree.still):
                self.write(form.format(n=number))
        for path in (*tree.open, *tree.kept):
            self.write(path, INSIDE)
        volume.write("/etc/fstab" if tree is LINUX else "/Windows/win.ini", b"# nothing yet\n" * 40)

    def use(self, steps: int, seconds: int) -> None:
        """Let programs write all the time, and people now and then."""
        volume, dice, end = self.volume, self.volume.dice, self.volume.now + seconds
        begun, ticks = volume.now, min(12, steps)
        names = self.names(steps)
        for tick in range(ticks):
            volume.at(begun + seconds * tick // ticks)
            for path in names[tick::ticks]:
                self.step(path, dice.random())
            for path in self.tree.open:
                volume.write_inside(path, dice.randrange(100) * 500, dice.randbytes(400))
        volume.at(end)

    def kept_number(self, form: str) -> int:
        """Return the number of a kept file of a form that is too long to lie in its record."""
        for number in range(0, NUMBERS - KEEP_EVERY, KEEP_EVERY):
            if len(self.files.get(form.format(n=number, renamed=0), b"")) > LONGEST_IN_RECORD:
                return number
        return 0

    def names(self, steps: int) -> list[str]:
        """Draw names, each once: of programs nearly always, half of them new ones."""
        dice, drawn = self.volume.dice, set[str]()
        while len(drawn) < steps:
            forms = self.tree.machine if dice.random() < 0.95 else self.tree.work
            number = dice.randrange(NUMBERS * 2)
            if number % KEEP_EVERY:
                drawn.add(dice.choice(forms).format(n=number))
        return sorted(drawn, key=lambda path: dice.random() if path else 0)

    def step(self, path: str, what: float) -> None:
        """Write, rename or delete one file."""
        if path not in self.files or what < 0.6:
            self.write(path)
        elif what < 0.8:
            self.volume.delete(path)
            del self.files[path]
        else:
            folder, _, name = path.rpartition("/")
            other = f"{folder}/renamed {len(self.volume.steps)} {name}"
            self.volume.rename(path, other)
            self.files[other] = self.files.pop(path)

    def copy(self, *, torn: bool, between: Callable[[], None] | None = None) -> None:
        """Copy it as it is, or part by part while programs write into their open files.

        `between`: what is done between two parts instead.
        """
        volume = self.volume
        target = volume.image.with_name(f"{volume.image.stem}-copy{len(self.copies)}.img")
        made = Copy(target, volume.now, torn, len(volume.steps))
        self.copies.append(made)
        if torn:
            volume.torn(target, between or self.write_open)
        else:
            volume.frozen(target)

    def write_open(self) -> None:
        """Write into every open file, two minutes later."""
        volume, dice = self.volume, self.volume.dice
        volume.at(volume.now + 120)
        for path in self.tree.open:
            volume.write_inside(path, dice.randrange(100) * 500, dice.randbytes(400))

    def torn_last(self) -> tuple[Path, Path]:
        """Return the volume and a torn copy of it, after which nothing was written."""
        self.copy(torn=True)
        self.end()
        return self.image, self.copies[-1].image

    def rename_kept(self) -> None:
        """Rename one kept file of each form."""
        for form in self.tree.still:
            path = form.format(n=NUMBERS - KEEP_EVERY)
            other = path.replace(".", " (final).")
            self.volume.rename(path, other)
            self.renamed[path] = other

    def end(self) -> None:
        """Unmount it, and finish all images."""
        volume = self.volume
        volume.stop()
        volume.finish(volume.image, volume.now)
        for copy in self.copies:
            volume.finish(copy.image, copy.at)
            copy.since = set(volume.steps[copy.mark :])


@contextmanager
def lived(tree: Tree, seed: int, folder: Path) -> Iterator[Life]:
    """Yield a volume that was used for a year and is mounted; in the end it is not."""
    (root := folder / "root").mkdir(parents=True)
    volume = tree.kind(folder / "old.img", root, random.Random(seed), BEGIN)
    volume.start()
    life = Life(tree, volume)
    try:
        life.set_up()
        life.use(200, DAY)
        yield life
    finally:
        if root.is_mount():
            volume.stop()


def copied_five_times(tree: Tree, seed: int, folder: Path, *, last: int) -> Life:
    """Make a volume, copy it five times over three days, and use it `last` seconds more.

    Every other copy is torn. In the end 5,000 names are written.
    """
    with lived(tree, seed, folder) as life:
        for number in range(5):
            life.copy(torn=bool(number % 2))
            life.use(80, (3 * DAY - last) // 5)
        life.use(5000, last)
        life.rename_kept()
        life.end()
    return life
