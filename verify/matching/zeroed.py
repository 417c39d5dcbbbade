"""Zeros where the old drive has data: a failed read that became zeros, seen by counting alone.

A capture counts the zero blocks of each file that it reads whole, and keeps the digest of each
block that it reads of a large one. Where in a file zeros lie is not kept; so that only a file of
one length is judged by how many there are, and one of another length only where it holds nothing
else. A person who saves a file again seldom leaves its length as it was.
"""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.manifest.zeros import ZERO_BLOCK_BYTES
from verify.matching.habits import Habit, habit_of
from verify.matching.level import Level
from verify.matching.pair_contents import Meaning
from verify.matching.survey import FAT_TIME_STEP_NANOSECONDS
from verify.matching.weigh import EXPECTED_HABITS, later_by
from verify.text.message import say

if TYPE_CHECKING:
    from verify.filesystem.entry import Entry
    from verify.matching.pair_contents import Difference

LEAST_TAIL_BYTES = 16
"""Fewer zero bytes at the end of a file are what many formats end with."""

# What programs lay out ahead of their data, or clear once it is used, by the end of its name.
# SPEC: .evtx: Microsoft, [MS-EVEN6] and libyal libevtx, "Windows Event Log (EVX)": chunks of 64 KiB
# are laid out ahead. .log .jrs .chk .edb .jfm .sdb: Microsoft Learn, "Extensible Storage Engine
# Files". .blf .regtrans-ms: Microsoft Learn, "Common Log File System" (containers are laid out
# whole). .etl: Microsoft Learn, "EVENT_TRACE_LOGFILE" (buffers of one size).
# .mdf .ndf .ldf: Microsoft Learn, "Database Instant File Initialization". .sqlite -wal -shm
# -journal: sqlite.org, "Temporary Files Used By SQLite" and "PRAGMA journal_mode" (PERSIST
# overwrites the header with zeros). ib_logfile, ibdata, .ibd: MySQL 8.0 manual, 17.6.
# .vhd .vhdx .avhdx: Microsoft, [MS-VHDX]; .vmdk .vdi .qcow2 .img: the formats' own descriptions.
# .journal: systemd, "Journal File Format" (grown in steps, archived files punched).
# .part .crdownload .partial .download .!ut .aria2: common practice, downloads laid out whole.
# .pst .ost: Microsoft, [MS-PST] (space that is free stays in the file).
# .ldb .log of LevelDB: its "log format" (blocks filled up with zeros); data_0 … index, .cache:
# Chromium, "Disk Cache" (block files). .dmp .swp .tmp .bak-journal: common practice.
_LAID_OUT = (
    *(".evtx", ".evt", ".etl", ".log", ".jrs", ".chk", ".edb", ".jfm", ".sdb", ".blf"),
    *(".regtrans-ms", ".log1", ".log2", ".mdf", ".ndf", ".ldf", ".mdb", ".accdb", ".ldb"),
    *(".db", ".db3", ".sqlite", ".sqlite3", "-wal", "-shm", "-journal", ".ibd", ".frm", ".myd"),
    *(".myi", ".fdb", ".gdb", ".vhd", ".vhdx", ".avhdx", ".vmdk", ".vdi", ".qcow", ".qcow2"),
    *(".img", ".hdd", ".vmem", ".vswp", ".vmsn", ".journal", ".journal~", ".part", ".partial"),
    *(".crdownload", ".download", ".!ut", ".aria2", ".pst", ".ost", ".nst", ".dmp", ".mdmp"),
    *(".swp", ".swap", ".tmp", ".cache", ".lock", ".pf", ".srd", ".wal"),
)
_LAID_OUT_NAMES = (
    *("pagefile.sys", "swapfile.sys", "hiberfil.sys", "swapfile", "swap.img", "$usnjrnl"),
    *("ib_logfile*", "ibdata*", "data_?", "index", "index.dat", "thumbcache_*", "wtmp", "btmp"),
    *("lastlog", "faillog", "bootstat.dat", "usrclass.dat", "ntuser.dat", "objects.data"),
)

ZEROED = Meaning(
    Level.STOP,
    say("has zeros where the old drive has data, as after a read error"),
    say("have zeros where the old drive has data, as after read errors"),
    say("Copy it again from the old drive, and check again."),
)
CLEARED = Meaning(
    Level.REVIEW,
    say(
        "has zeros where the old drive has data; programs preallocate or clear"
        " such files themselves"
    ),
    say(
        "have zeros where the old drive has data; programs preallocate or clear"
        " such files themselves"
    ),
    say(
        "Open it with its program on the new drive; if it fails there, copy it"
        " again from the old drive."
    ),
)


def weigh_zeros(item: Difference, block_bytes: int) -> Meaning | None:
    """Return what further zeros of the target mean; `None` where there are none that count.

    Args:
        item: a file whose contents or length differ.
        block_bytes: the size of the blocks of files that were read by themselves.
    """
    old, new = item.source, item.target
    if old is None or new is None or old.kind != "file" or new.kind != "file" or not new.size:
        return None
    habit = habit_of(item.path, root=item.volume.survey.root)
    if habit in EXPECTED_HABITS or not _gained(old, new, block_bytes):
        return None
    if habit not in {Habit.MOVING, Habit.HELD} and not is_laid_out(item.path):
        return ZEROED
    later = later_by(item)
    # NOTE: what the old drive filled up after the clone was laid out, and zero, at its moment.
    filled_up = later is not None and later < -FAT_TIME_STEP_NANOSECONDS
    return None if filled_up and not is_all_zeros(new) else CLEARED


def is_laid_out(path: str) -> bool:
    """Whether programs lay such a file out ahead of its data, or clear it, by its name."""
    name = path.rsplit("/", 1)[-1].lower()
    return name.endswith(_LAID_OUT) or _names().fullmatch(name) is not None


def is_all_zeros(entry: Entry) -> bool:
    """Whether a file that was read whole holds only zeros."""
    whole, tail = divmod(entry.size, ZERO_BLOCK_BYTES)
    return entry.size > 0 and entry.zero_blocks == whole and (entry.zero_tail or not tail)


def _gained(old: Entry, new: Entry, block_bytes: int) -> bool:
    """Whether the target has zeros that the source has not."""
    if old.digest is None or new.digest is None:
        return old.size == new.size and _block_gained(old, new, block_bytes)
    if is_all_zeros(new) and not is_all_zeros(old):
        return True
    if old.size != new.size:
        return False
    tail = new.zero_tail and not old.zero_tail
    return new.zero_blocks > old.zero_blocks or (
        tail and new.size % ZERO_BLOCK_BYTES >= LEAST_TAIL_BYTES
    )


def _block_gained(old: Entry, new: Entry, block_bytes: int) -> bool:
    before = dict(old.blocks)
    for index, digest in new.blocks:
        length = min(block_bytes, new.size - index * block_bytes)
        if index in before and before[index] != digest == digest_of_zeros(max(0, length)):
            return True
    return False


@cache
def digest_of_zeros(length: int) -> str:
    """Return the BLAKE3 of so many zeros, in hex."""
    return blake3(bytes(length)).hexdigest()


@cache
def _names() -> re.Pattern[str]:
    expressions = (
        re.escape(name).replace(r"\*", ".*").replace(r"\?", ".") for name in _LAID_OUT_NAMES
    )
    return re.compile("|".join(expressions), re.DOTALL)
