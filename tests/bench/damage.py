"""`python -m tests.bench.damage --family ntfs --count 3000 --seed 1`: random damage, two opinions.

Each case damages a copy of a small volume at random, in a structure or in what lies around it. The
oracle is the filesystem's own driver: does it mount the copy for writing, list and read it as it
did the whole volume, and still so after the free space was filled? Ours is the examination, and
the listing with hashes against that of the whole volume. A *false sound* is a case that harms by
the oracle and of which ours says nothing. A *stop alone* is one where ours says that something is
lost and the oracle reads all of it: not wrong by itself, and worth a look.

A family is a module `tests.bench.damage_<family>` with `FAMILY`.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Protocol

from tests.support.drives import memory_window
from verify.filesystem.examination import Effect
from verify.filesystem.examine import examine
from verify.filesystem.open import open_volume

PATIENCE_SECONDS = 60
STEP = 1 << 20
MOST_BYTES = 1 << 24
"""Read of a file: damage may say that it is larger than the volume."""
STOPS = frozenset({"refused", "lost", "overwritten"})
HARMS = STOPS | {"repaired"}
FALSE_SOUND, OUR_FAULT, STOP_ALONE = "FALSE SOUND", "OUR FAULT", "stop alone"
SHOWN = "harmed, shown by the examination"
BY_LISTING = "shown by the listing or the hashes alone"
QUIET = "unharmed, no stop"

Listing = dict[str, tuple[str, int, str]]
"""By path: kind, size, digest of the contents."""

Target = tuple[str, int, int]
"""A structure's name, its offset in bytes, and its length."""


class Family(Protocol):
    """What a family of filesystems gives to the campaign."""

    def volumes(self, folder: Path) -> list[tuple[str, bytes, bytes]]:
        """Return volumes: their kind, an older state of each, and its state now."""
        ...

    def targets(self, volume: bytes) -> list[Target]:
        """Return the structures that are damaged."""
        ...

    def oracle(self, volume: bytes, folder: Path) -> tuple[str | None, Listing]:
        """Return why the driver refuses the volume, if it does, and what it lists and reads.

        The listing is empty, or differs, where something was lost when the free space
        was filled.
        """
        ...


@dataclass(slots=True)
class Volume:
    """A whole volume, and what each side says of it."""

    kind: str
    older: bytes
    data: bytes
    targets: Sequence[Target]
    theirs: Listing = field(default_factory=dict)
    ours: str = ""


Opinion = tuple[list[str], str]
"""Each fault that the examination finds, its effect first; the listing with hashes, as JSON."""


def our_opinion(kind: str, data: bytes) -> Opinion:
    """Return what we say of a volume."""
    examination = examine(memory_window(data), kind, lambda: None)
    assert examination is not None
    faults = list(examination.structure.faults)
    if examination.allocation is not None:
        faults += examination.allocation.faults
    told = [f"{item.effect}: {item.structure}, {item.place}, {item.field}" for item in faults]
    told += [f"{Effect.REFUSED}: {reason}" for reason in examination.structure.left_out]
    return told, json.dumps(_our_listing(kind, data))


def _our_listing(kind: str, data: bytes) -> object:
    try:
        volume = open_volume(memory_window(data), kind)
        rows = []
        for entry in volume.entries():
            digest = sha256()
            if entry.kind == "file" and not entry.reparse:
                for at in range(0, min(entry.size, MOST_BYTES), STEP):
                    digest.update(volume.read(entry, at, min(STEP, entry.size - at)))
            streams = []
            for stream in entry.streams:
                value = volume.read(entry, 0, stream.size, stream.name)
                streams.append([stream.name, stream.size, sha256(value).hexdigest()])
            marks: list[object] = [entry.attributes, entry.mode, entry.owner, entry.target]
            marks += [entry.reparse, streams, entry.extended]
            rows.append([entry.kind, entry.path, entry.size, marks, digest.hexdigest()])
    except Exception as error:  # noqa: BLE001 - every crash is reported
        return f"{type(error).__name__}: {error}"
    return {"rows": rows, "incomplete": sorted(volume.incomplete)}


def in_child(kind: str, data: bytes) -> Opinion | None:
    """Return what we say, from a process of its own; `None`: it crashed, or took too long."""
    reading, writing = os.pipe()
    child = os.fork()
    if not child:
        os.close(reading)
        signal.alarm(PATIENCE_SECONDS)
        try:
            text = json.dumps(our_opinion(kind, data))
        except Exception:  # noqa: BLE001 - the parent tells it
            text = ""
        with os.fdopen(writing, "w") as file:
            file.write(text)
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading) as file:
        text = file.read()
    os.waitpid(child, 0)
    if not text:
        return None
    told, listing = json.loads(text)
    return told, listing


def damaged(volume: Volume, rng: random.Random) -> tuple[str, bytes]:
    """Return what was done to a copy, and the copy."""
    data = bytearray(volume.data)
    name, start, length = rng.choice(volume.targets)
    at = start + rng.randrange(length)
    kind = rng.choice(("bit", "bit", "byte", "number", "zeros", "sector", "older", "noise"))
    if kind == "bit":
        data[at] ^= 1 << rng.randrange(8)
    elif kind == "byte":
        data[at] = rng.randrange(256)
    elif kind == "number":
        at &= ~3
        value = int.from_bytes(data[at : at + 4], "little") + rng.choice((-16, -8, -1, 1, 8, 16))
        data[at : at + 4] = (value & 0xFFFFFFFF).to_bytes(4, "little")
    elif kind == "zeros":
        end = min(at + rng.choice((1, 2, 4, 8, 64)), start + length)
        data[at:end] = bytes(end - at)
    elif kind == "sector":
        at -= at % 512
        data[at : at + 512] = bytes(512)
    elif kind == "older":
        size = rng.choice((512, 1024, 4096))
        at -= at % size
        data[at : at + size] = volume.older[at : at + size]
    else:
        end = min(at + rng.choice((2, 8, 32)), start + length)
        data[at:end] = rng.randbytes(end - at)
    return f"{kind} in {name} at {at}", bytes(data)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the campaign and tell its figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.damage", description=__doc__)
    parser.add_argument("--family", required=True)
    parser.add_argument("--count", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="where false sounds are kept")
    parser.add_argument("--only", type=int, help="one case by its number, told in full")
    options = parser.parse_args(arguments)
    family: Family = importlib.import_module(f"tests.bench.damage_{options.family}").FAMILY
    with tempfile.TemporaryDirectory(prefix="damage-", dir="/dev/shm") as name:
        _run(family, Path(name), options)


def _run(family: Family, folder: Path, options: argparse.Namespace) -> None:
    volumes = [_whole(family, folder, *made) for made in family.volumes(folder)]
    counts: Counter[str] = Counter()
    began = time.monotonic()
    for case in range(options.count) if options.only is None else (options.only,):
        rng = random.Random(f"{options.seed} {case}")
        volume = rng.choice(volumes)
        what, data = damaged(volume, rng)
        if data == volume.data:
            counts["nothing changed"] += 1
            continue
        refused, theirs = family.oracle(data, folder)
        harm = refused or difference(volume.theirs, theirs)
        verdict, told = _judged(volume, data, harm)
        counts[verdict] += 1
        if verdict not in {QUIET, SHOWN, BY_LISTING}:
            say(f"{verdict}: {case}: {what}: {harm[:300]}; ours: {told[:3]}")
        if verdict in {FALSE_SOUND, OUR_FAULT} and options.keep:
            options.keep.mkdir(exist_ok=True)
            (options.keep / f"{options.family}-{options.seed}-{case}.img").write_bytes(data)
    for name, number in sorted(counts.items()):
        say(f"{number:6} {name}")
    say(f"{time.monotonic() - began:6.0f} seconds")


def say(line: str) -> None:
    """Write a line."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def _whole(family: Family, folder: Path, kind: str, older: bytes, data: bytes) -> Volume:
    """Return a volume that both sides find whole."""
    refused, theirs = family.oracle(data, folder)
    told, ours = our_opinion(kind, data)
    assert refused is None, refused
    assert not [item for item in told if not item.startswith(Effect.WASTED)], told
    return Volume(kind, older, data, family.targets(data), theirs, ours)


def _judged(volume: Volume, data: bytes, harm: str) -> tuple[str, list[str]]:
    """Return what becomes of a case, and what the examination tells."""
    answer = in_child(volume.kind, data)
    if answer is None:
        return OUR_FAULT, []
    told, listing = answer
    effects = {item.partition(":")[0] for item in told}
    if harm and effects & HARMS:
        return SHOWN, told
    if listing != volume.ours:
        return BY_LISTING, told
    if harm:
        return FALSE_SOUND, told
    return (STOP_ALONE if effects & STOPS else QUIET), told


def difference(whole: Listing, other: Listing) -> str:
    """Return what differs between two listings, path by path; empty where nothing does."""
    return "; ".join(
        f"{path}: {whole.get(path)} -> {other.get(path)}"
        for path in sorted(whole.keys() | other.keys())
        if whole.get(path) != other.get(path)
    )


if __name__ == "__main__":
    main()
