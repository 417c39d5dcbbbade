"""`python -m tests.bench.damage_table --family fat`: one damage after the other, two opinions.

Every structure of a small volume is zeroed, has one bit changed, is put back to its older state,
and gets a wrong value that looks right. The oracles are those of `tests.bench.damage`. The table
stands in docs/formats; a row of which the oracles say harm and we nothing is a fault of ours.
"""

from __future__ import annotations

import argparse
import importlib
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from tests.bench.damage import HARMS, Listing, difference, our_opinion
from tests.support.drives import memory_window
from verify.filesystem.examination import Effect
from verify.filesystem.recognise import recognise

if TYPE_CHECKING:
    from collections.abc import Iterator

WAYS = ("zeros", "one bit", "old state", "wrong value")


@dataclass(frozen=True, slots=True)
class Structure:
    """Where a structure lies, by its name, and a value it could have and has not."""

    name: str
    offset: int
    length: int
    wrong: bytes


class Family(Protocol):
    """What a family gives to the table."""

    def table_volumes(self, folder: Path) -> Iterator[tuple[str, bytes, bytes, list[Structure]]]:
        """Yield a kind, an older state of a volume and its state now, and its structures."""
        ...

    def oracle(self, volume: bytes, folder: Path) -> tuple[str | None, Listing]:
        """As `tests.bench.damage` has it."""
        ...


@dataclass(frozen=True, slots=True)
class Row:
    """A damage, and what both sides make of it; `harm` is empty where the oracles read all."""

    kind: str
    structure: str
    way: str
    harm: str
    ours: str

    @property
    def is_seen(self) -> bool:
        """Whether nothing is harmed that we do not tell."""
        return not self.harm or self.ours not in {"nothing", str(Effect.WASTED)}


def rows(family: Family, folder: Path) -> Iterator[Row]:
    """Yield every damage that changes anything."""
    for kind, older, data, structures in family.table_volumes(folder):
        whole = family.oracle(data, folder)
        assert whole[0] is None, whole[0]
        listed = our_opinion(kind, data)[1]
        for structure in structures:
            for way in WAYS:
                copy = damaged(data, older, structure, way)
                if copy == data:
                    continue
                refused, theirs = family.oracle(copy, folder)
                harm = refused or difference(whole[1], theirs)
                yield Row(kind, structure.name, way, harm, _ours(kind, copy, listed))


def damaged(data: bytes, older: bytes, structure: Structure, way: str) -> bytes:
    """Return a copy in which one structure is damaged."""
    start, end = structure.offset, structure.offset + structure.length
    if way == "one bit":
        return data[:start] + bytes([data[start] ^ 0x04]) + data[start + 1 :]
    if way == "wrong value":
        return data[:start] + structure.wrong + data[start + len(structure.wrong) :]
    put = bytes(structure.length) if way == "zeros" else older[start:end]
    return data[:start] + put + data[end:]


def _ours(kind: str, data: bytes, listed: str) -> str:
    if (found := recognise(memory_window(data)).kind) != kind:
        return f"taken for {found}"
    told, listing = our_opinion(kind, data)
    effects = {line.partition(":")[0] for line in told}
    worst = next((str(effect) for effect in Effect if effect in effects), None)
    if worst in HARMS:
        return str(worst)
    return "other contents" if listing != listed else worst or "nothing"


def main(arguments: list[str] | None = None) -> None:
    """Write the table: what the oracles make of each damage, and what we do."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.damage_table", description=__doc__)
    parser.add_argument("--family", required=True)
    options = parser.parse_args(arguments)
    family: Family = importlib.import_module(f"tests.bench.damage_{options.family}").FAMILY
    found: dict[tuple[str, str], dict[str, str]] = {}
    with tempfile.TemporaryDirectory(prefix="table-", dir="/dev/shm") as name:
        for row in rows(family, Path(name)):
            cells = found.setdefault((row.kind, row.structure), {})
            cells[row.way] = f"{short(row.harm)} / {row.ours}"
    head = ("volume", "structure", *WAYS)
    sys.stdout.write(f"| {' | '.join(head)} |\n|{'---|' * len(head)}\n")
    for (kind, structure), cells in found.items():
        line = (kind, structure, *(cells.get(way, "") for way in WAYS))
        sys.stdout.write(f"| {' | '.join(line)} |\n")


def short(harm: str) -> str:
    """Return an oracle's opinion in few words."""
    if not harm:
        return "all read"
    program, colon, rest = harm.partition(": ")
    if program in {"fsck.fat", "fsck.exfat"}:
        return f"{program} repairs"
    if program in {"mcopy", "mount"} and colon:
        return "no end" if rest == "no end" else "refused"
    return "lost by writing" if harm.startswith("filling") else "lost or other contents"


if __name__ == "__main__":
    main()
