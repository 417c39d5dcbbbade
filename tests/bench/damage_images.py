"""`python -m tests.bench.damage_images --count 4000 --seed 1`: random damage to image containers.

Each case damages a copy of a small image: bits, bytes, numbers, zeros, noise, a sector copied over
another, bytes inserted or removed, a file cut short; three of four in what is no contents of the
drive. The oracle is the drive that the image was made of. What may become of a case: the same
bytes, a refusal in a sentence, unreadable stretches with the same bytes around them, or a note.
`OTHER BYTES` is a fault of ours. Where a format keeps no checksum of contents, a damaged byte of
contents is read as it stands, and counted apart; so is a length that nothing in a format repeats.
"""

from __future__ import annotations

import argparse
import random
import resource
import struct
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from tests.corpus.test_containers import names, rows, unpacked
from tests.support.containers import MIB, SECTOR, content, e01, qemu
from verify.errors import SourceError, SourceUnreadable
from verify.source.drive import open_drive

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

SAME, REFUSED, GAP, NAMED = "the same bytes", "refused", "unreadable stretches", "a note"
CONTENTS = "contents changed, of which the format has no checksum"
LENGTH = "another length, which nothing in the format repeats"
OTHER, FAULT = "OTHER BYTES", "OUR FAULT"
_FAULTY = frozenset({OTHER, FAULT})

SIZE = 6 * MIB + 3 * SECTOR
_STEP, _LARGEST_FILES = 64 << 10, 24 * MIB
_EXIT = 4

Range = tuple[str, int, int]
"""A file's name, and where a range of it begins and ends."""


@dataclass(frozen=True, slots=True)
class Form:
    """An image and the drive it was made of; `plain`: contents without a checksum."""

    name: str
    files: dict[str, bytes]
    start: str
    drive: bytes
    plain: tuple[Range, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Damage:
    """What was done to which bytes; `moved`: what follows them lies elsewhere now."""

    words: str
    file: str
    at: int
    length: int
    moved: bool
    data: bytes


@dataclass(slots=True)
class Reading:
    """What an image gives: its bytes, zeros in `gaps` (start, end), its notes, and its size."""

    data: bytearray = field(default_factory=bytearray)
    gaps: list[tuple[int, int]] = field(default_factory=list)
    notes: tuple[str, ...] = ()
    size: int = 0


def drive_bytes() -> bytes:
    """Return a drive with contents here and there, and two MiB of nothing."""
    data = bytearray(content(SIZE))
    data[2 * MIB : 4 * MIB] = bytes(2 * MIB)
    return bytes(data)


def forms(folder: Path, only: Sequence[str] = ()) -> Iterator[Form]:
    """Yield an image of every form that is read, and those of the collection that are small.

    `only`: names that are wanted; where qemu-img makes them all, nothing else is made.
    """
    data = drive_bytes()
    for name, (maker, options) in _BY_QEMU.items():
        if only and name not in only:
            continue
        yield _form(folder / name, name, data, _made_by_qemu(maker, options))
    if only and set(only) <= set(_BY_QEMU):
        return
    yield _form(folder / "pieces", "VMDK in two sparse extents", data, _two_extents)
    for packed in (True, False):
        name = f"E01, {'packed' if packed else 'plain'}"
        yield _form(folder / name, name, data, _evidence(packed=packed))
    yield _form(folder / "split", "split raw", data, _split)
    yield from _foreign(folder)


_BY_QEMU = {
    "VHD, fixed": ("vpc", "subformat=fixed,force_size=on"),
    "VHD, dynamic": ("vpc", "subformat=dynamic,force_size=on"),
    "VHDX, dynamic": ("vhdx", "block_size=1M"),
    "VHDX, fixed": ("vhdx", "block_size=2M,subformat=fixed"),
    "VMDK, sparse": ("vmdk", "subformat=monolithicSparse"),
    "VMDK, stream": ("vmdk", "subformat=streamOptimized"),
    "VMDK, flat": ("vmdk", "subformat=monolithicFlat"),
}
_ENDINGS = {"vpc": "vhd"}


def _made_by_qemu(maker: str, options: str) -> Callable[[Path, bytes], Path]:
    ending = _ENDINGS.get(maker, maker)
    return lambda folder, data: qemu(folder / f"drive.{ending}", data, maker, options)


def _two_extents(folder: Path, data: bytes) -> Path:
    """Have qemu-img make two VMDKs, and put the lines of their extents into one descriptor."""
    lines = []
    for name, part in (("one", data[: 3 * MIB]), ("two", data[3 * MIB :])):
        made = qemu(folder / f"{name}.vmdk", part, "vmdk", "subformat=twoGbMaxExtentSparse")
        text = made.read_text("utf-8")
        lines.append(next(line for line in text.splitlines() if line.startswith("RW ")))
        made.unlink()
    path = folder / "drive.vmdk"
    whole = text.replace(lines[-1], "\n".join(lines))
    path.write_text(whole, "utf-8")
    return path


def _evidence(*, packed: bool) -> Callable[[Path, bytes], Path]:
    return lambda folder, data: e01(folder, data, segments=2, packed=(packed,))


def _split(folder: Path, data: bytes) -> Path:
    for number, at in enumerate(range(0, len(data), 2 * MIB), 1):
        (folder / f"drive.{number:03}").write_bytes(data[at : at + 2 * MIB])
    return folder / "drive.001"


def _foreign(folder: Path) -> Iterator[Form]:
    for name in names(refused=False):
        if rows()[name]["raw"]["bytes"] > _LARGEST_FILES:
            continue
        own = folder / name
        own.mkdir()
        path = unpacked(name, own)
        drive = bytes(reading(path).data)
        yield _form(own, name, drive, _as_it_is(path))


def _as_it_is(path: Path) -> Callable[[Path, bytes], Path]:
    return lambda _folder, _data: path


def _form(folder: Path, name: str, data: bytes, make: Callable[[Path, bytes], Path]) -> Form:
    folder.mkdir(exist_ok=True)
    start = make(folder, data)
    files = {path.name: path.read_bytes() for path in folder.iterdir()}
    found = reading(start)
    assert (bytes(found.data), found.gaps) == (data, []), name
    plain = tuple(item for file, raw in files.items() for item in _plain(file, raw))
    return Form(name, files, start.name, data, plain, found.notes)


def _plain(name: str, raw: bytes) -> list[Range]:
    """Return where contents without a checksum lie, by each format's own specification."""
    if raw.startswith((b"EVF", b"# Disk")):
        return []
    if raw.startswith(b"vhdxfile"):
        return [(name, at, at + length) for at, length in _vhdx_blocks(raw)]
    if raw.startswith(b"KDMV"):  # Virtual Disk Format 5.0: flags, overHead
        flags, begin = struct.unpack_from("<I", raw, 8)[0], struct.unpack_from("<Q", raw, 64)[0]
        return [] if flags & 1 << 16 else [(name, begin * SECTOR, len(raw))]
    if raw.startswith(b"conectix"):
        return [(name, at, at + length) for at, length in _vhd_blocks(raw)]
    end = len(raw) - SECTOR if raw[-SECTOR:].startswith(b"conectix") else len(raw)
    return [(name, 0, end)]


def _vhd_blocks(raw: bytes) -> list[tuple[int, int]]:
    """Return where blocks lie, each behind its bitmap: VHD 1.0, "Block Allocation Table"."""
    (header,) = struct.unpack_from(">Q", raw, 16)
    (table,) = struct.unpack_from(">Q", raw, header + 16)
    count, length = struct.unpack_from(">II", raw, header + 28)
    entries = struct.unpack_from(f">{count}I", raw, table)
    bitmap = -(-length // SECTOR // 8 // SECTOR) * SECTOR
    return [(entry * SECTOR + bitmap, length) for entry in entries if entry != 0xFFFFFFFF]


def _vhdx_blocks(raw: bytes) -> list[tuple[int, int]]:
    """Return where blocks lie: MS-VHDX 2.2.3.2, 2.6.2.1 and 2.5.1."""
    regions = raw.index(bytes.fromhex("6677c22d23f600429d64115e9bfd4a08"), 192 << 10)
    (table,) = struct.unpack_from("<Q", raw, regions + 16)
    item = raw.index(bytes.fromhex("3767a1ca36fa434db3b633f0aa44e76b"), MIB)
    metadata = item - item % MIB
    (offset,) = struct.unpack_from("<I", raw, item + 16)
    (length,) = struct.unpack_from("<I", raw, metadata + offset)
    entries = struct.unpack_from("<64Q", raw, table)
    return [(entry >> 20 << 20, length) for entry in entries if entry & 7 == 6]


def reading(path: Path) -> Reading:
    """Read an image to its end, or as far as a campaign has to.

    Raises:
        SourceError: it is refused.
    """
    found = Reading()
    with open_drive(path, retries=0) as drive:
        found.size = drive.size_bytes
        found.notes = tuple(map(str, drive.image.notes)) if drive.image else ()
        for at in range(0, min(found.size, 2 * _LARGEST_FILES), _STEP):
            found.data += _read(found, drive.read_at, at, min(_STEP, found.size - at))
    return found


def _read(found: Reading, read_at: Callable[[int, int], bytes], at: int, length: int) -> bytes:
    try:
        return read_at(at, length)
    except SourceUnreadable:
        if length <= SECTOR:
            found.gaps.append((at, at + length))
            return bytes(length)
    return b"".join(
        _read(found, read_at, place, min(SECTOR, at + length - place))
        for place in range(at, at + length, SECTOR)
    )


def damaged(form: Form, rng: random.Random) -> Damage:
    """Damage one file of an image: three of four times what is no contents."""
    name = rng.choice(sorted(form.files))
    data = bytearray(form.files[name])
    at = _place(form, name, rng)
    kind = rng.choice(_KINDS)
    length = 1
    if kind == "bit":
        data[at] ^= 1 << rng.randrange(8)
    elif kind == "byte":
        data[at] = rng.randrange(256)
    elif kind == "number":
        at -= at % 4
        length = 4
        value = int.from_bytes(data[at : at + 4], "little") + rng.choice((-128, -8, -1, 1, 8, 128))
        data[at : at + 4] = (value & 0xFFFFFFFF).to_bytes(4, "little")
    elif kind in {"zeros", "ones", "noise"}:
        length = min(rng.choice((4, 8, 64, 512, 4096)), len(data) - at)
        if length >= SECTOR:
            at -= at % SECTOR
        new = {"zeros": bytes(length), "ones": b"\xff" * length}.get(kind, rng.randbytes(length))
        data[at : at + length] = new
    elif kind == "copied":
        at, length = at - at % SECTOR, SECTOR
        other = _place(form, name, rng)
        other -= other % SECTOR
        data[at : at + length] = data[other : other + length]
    elif kind == "inserted":
        length = rng.choice(_MOVES)
        new = rng.choice((bytes(length), rng.randbytes(length)))
        data[at:at] = new
    elif kind == "removed":
        length = rng.choice(_MOVES)
        del data[at : at + length]
    else:
        length = rng.choice((1, SECTOR, 4096, rng.randrange(1, len(data) + 1)))
        at = max(0, len(data) - length)
        del data[at:]
    moved = kind in {"inserted", "removed", "cut"}
    return Damage(f"{kind} in {name} at {at}, {length}", name, at, length, moved, bytes(data))


_KINDS = (
    "bit", "bit", "byte", "number", "zeros", "ones", "noise", "copied", "inserted", "removed", "cut"
)  # fmt: skip
_MOVES = (1, 3, 4, 512, 1000, 1024, 4096, 65536)


def _place(form: Form, name: str, rng: random.Random) -> int:
    """Return a byte of a file; three of four times one that is no plain contents."""
    size = len(form.files[name])
    plain = sorted((start, min(end, size)) for file, start, end in form.plain if file == name)
    kept, at = [], 0
    for start, end in [*plain, (size, size)]:
        if start > at:
            kept.append((at, start))
        at = max(at, end)
    if not kept or not rng.randrange(4):
        return rng.randrange(size)
    start, end = rng.choice(kept)
    # NOTE: tables begin with what matters, and are long.
    return start + rng.randrange(rng.choice((min(end - start, 4096), end - start)))


def judged(form: Form, damage: Damage, folder: Path) -> str:
    """Return what becomes of a damaged image, whose other files lie in the folder already."""
    path = folder / damage.file
    path.write_bytes(damage.data)
    try:
        found = reading(folder / form.start)
    except SourceError as error:
        return REFUSED if error.exit_code == _EXIT and str(error) else FAULT
    except Exception as error:  # noqa: BLE001 - every crash is reported
        return f"{FAULT}: {type(error).__name__}: {error}"
    finally:
        path.write_bytes(form.files[damage.file])
    return _verdict(form, damage, found)


def _verdict(form: Form, damage: Damage, found: Reading) -> str:
    wanted = bytearray(form.drive)
    for start, end in found.gaps:
        wanted[start:end] = bytes(min(end, len(wanted)) - start)
    same = bytes(found.data[: len(wanted)]) == bytes(wanted[: len(found.data)])
    if found.size == len(form.drive) and same:
        return GAP if found.gaps else SAME
    if found.notes != form.notes:
        return NAMED
    if found.size == len(form.drive) and not damage.moved and _is_plain(form, damage):
        changed = sum(one != other for one, other in zip(found.data, wanted, strict=True))
        return CONTENTS if changed <= damage.length else OTHER
    if found.size != len(form.drive) and (_is_raw(form) or (same and _records_size_once(form))):
        return LENGTH
    return OTHER


def _is_plain(form: Form, damage: Damage) -> bool:
    end = damage.at + damage.length
    return any(
        name == damage.file and start < end and damage.at < stop for name, start, stop in form.plain
    )


def _is_raw(form: Form) -> bool:
    """Whether nothing but contents is in the files: any length is one."""
    return all((name, 0, len(raw)) in form.plain for name, raw in form.files.items())


def _records_size_once(form: Form) -> bool:
    return form.files[form.start].startswith(b"vhdxfile")


def run(folder: Path, count: int, seed: int, only: Sequence[str] = ()) -> Iterator[tuple[str, ...]]:
    """Yield for each case its form, what was done, and what became of it."""
    made = [form for form in forms(folder, only) if not only or form.name in only]
    places = {form.name: folder / f"case {number}" for number, form in enumerate(made)}
    for form in made:
        places[form.name].mkdir()
        for name, raw in form.files.items():
            (places[form.name] / name).write_bytes(raw)
    for case in range(count):
        rng = random.Random(f"{seed} {case}")
        form = made[case % len(made)]
        damage = damaged(form, rng)
        yield form.name, f"case {case}: {damage.words}", judged(form, damage, places[form.name])


def is_faulty(verdict: str) -> bool:
    """Whether a case must not end so."""
    return verdict.partition(":")[0] in _FAULTY


def main() -> None:
    """Run the campaign and print its figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.damage_images")
    parser.add_argument("--count", type=int, default=4000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--form", action="append", default=[], help="this form alone")
    asked = parser.parse_args()
    counts: dict[str, Counter[str]] = {}
    slowest, began = 0.0, time.monotonic()
    with tempfile.TemporaryDirectory(prefix="images-", dir="/dev/shm") as name:
        before = time.monotonic()
        for form, words, verdict in run(Path(name), asked.count, asked.seed, asked.form):
            slowest, before = max(slowest, time.monotonic() - before), time.monotonic()
            counts.setdefault(form, Counter())[verdict.partition(":")[0]] += 1
            if is_faulty(verdict):
                _say(f"{verdict}: {form}: {words}")
    verdicts = (SAME, REFUSED, GAP, NAMED, CONTENTS, LENGTH, OTHER, FAULT)
    _say(f"| image | {' | '.join(verdicts)} |\n|---|{'---|' * len(verdicts)}")
    total: Counter[str] = Counter()
    for form, counted in [*counts.items(), ("all", total)]:
        _say(f"| {form} | {' | '.join(str(counted[verdict]) for verdict in verdicts)} |")
        total.update(counted if form != "all" else {})
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10
    _say(f"{time.monotonic() - began:.0f} seconds, slowest case {slowest:.2f} s, {peak} MiB")


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
