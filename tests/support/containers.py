"""Containers for tests: by qemu-img where it makes them, else by the specification's own tables.

Nothing of the code under test takes part.
"""

from __future__ import annotations

import hashlib
import random
import struct
import subprocess
import zlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

MIB = 1 << 20
SECTOR = 512


def content(size_bytes: int, seed: int = 7) -> bytes:
    """Return the bytes of a drive: written here and there, zeros between, its end in use."""
    chance = random.Random(seed)
    data = bytearray(size_bytes)
    for at in range(0, size_bytes, 300 * 1024):
        data[at : at + 5000] = chance.randbytes(min(5000, size_bytes - at))
    data[-SECTOR:] = chance.randbytes(SECTOR)
    return bytes(data)


def qemu(path: Path, data: bytes, form: str, options: str = "") -> Path:
    """Have qemu-img make a container of these bytes."""
    raw = path.with_suffix(".raw")
    raw.write_bytes(data)
    extra = ["-o", options] if options else []
    command = ["qemu-img", "convert", "-f", "raw", "-O", form, *extra, str(raw), str(path)]
    subprocess.run(command, check=True, capture_output=True)
    raw.unlink()
    return path


def by_qemu(path: Path, form: str) -> bytes | None:
    """Return the raw bytes that qemu-img reads from a container; `None`: it refuses."""
    raw = path.with_name("by-qemu.raw")
    if form == "vpc":
        form, source = (
            "raw",
            ["--image-opts", f"driver=vpc,force-size-calc=current_size,file.filename={path}"],
        )
    else:
        source = ["-f", form, str(path)]
    command = ["qemu-img", "convert", *source, "-O", "raw", str(raw)]
    try:
        if subprocess.run(command, check=False, capture_output=True, timeout=60).returncode:
            return None
        return raw.read_bytes()
    except subprocess.TimeoutExpired:
        return None
    finally:
        raw.unlink(missing_ok=True)


def vhd_checksum(data: bytes, at: int) -> bytes:
    """Return a VHD structure with its checksum set: VHD 1.0, "Checksum"."""
    zeroed = data[:at] + bytes(4) + data[at + 4 :]
    return data[:at] + struct.pack(">I", ~sum(zeroed) & 0xFFFFFFFF) + data[at + 4 :]


def vhd_footer(
    size_bytes: int,
    kind: int = 2,
    data_at: int = (1 << 64) - 1,
    geometry: tuple[int, int, int] = (0, 0, 0),
    saved: int = 0,
) -> bytes:
    """Return a footer: VHD 1.0, "Hard Disk Footer Format"."""
    footer = struct.pack(
        ">8sIIQI4sI4sQQ", b"conectix", 2, 0x10000, data_at, 0, b"test", 0x10000, b"Wi2k",
        size_bytes, size_bytes,
    )  # fmt: skip
    footer += struct.pack(">HBBII16sB", *geometry, kind, 0, bytes(range(16)), saved)
    return vhd_checksum(footer.ljust(512, b"\0"), 64)


CHUNK = 64 * SECTOR


def e01(
    folder: Path,
    data: bytes,
    *,
    segments: int = 1,
    packed: Sequence[bool] = (True,),
    bad_sectors: Iterable[tuple[int, int]] = (),
) -> Path:
    """Write an E01 after libewf's description of EWF 1 (file header, sections, tables, chunks).

    `packed`: whether chunk 0, 1 … is compressed, over and over. `bad_sectors`: (first, count) in a
    list of read errors.
    """
    chunks = [data[at : at + CHUNK] for at in range(0, len(data), CHUNK)]
    share = -(-len(chunks) // segments)
    volume = bytearray(1052)
    struct.pack_into(
        "<BxxxIIIQ", volume, 0, 1, len(chunks), CHUNK // SECTOR, SECTOR, len(data) // SECTOR
    )
    volume[36] = 1
    volume[64:80] = bytes(range(16))
    volume[1048:] = _adler(volume[:1048])
    for number in range(1, segments + 1):
        file = bytearray(b"EVF\x09\x0d\x0a\xff\x00\x01" + struct.pack("<HH", number, 0))
        if number == 1:
            _section(file, "header", zlib.compress(b"1\nmain\n"))
        _section(file, "volume" if number == 1 else "data", bytes(volume))
        own = chunks[(number - 1) * share : number * share]
        begin, body, entries = len(file) + 76, bytearray(), []
        for index, chunk in enumerate(own, (number - 1) * share):
            is_packed = packed[index % len(packed)]
            entries.append(begin + len(body) | (0x80000000 if is_packed else 0))
            body += zlib.compress(chunk) if is_packed else chunk + _adler(chunk)
        _section(file, "sectors", bytes(body))
        head = struct.pack("<IIQI", len(entries), 0, 0, 0)
        rows = struct.pack(f"<{len(entries)}I", *entries)
        table = head + _adler(head) + rows + _adler(rows)
        _section(file, "table", table)
        _section(file, "table2", table)
        if number == segments:
            errors = b"".join(struct.pack("<II", *item) for item in bad_sectors)
            if errors:
                top = struct.pack("<I", len(errors) // 8) + bytes(512)
                _section(file, "error2", top + _adler(top) + errors + _adler(errors))
            md5 = hashlib.md5(data, usedforsecurity=False).digest() + bytes(16)
            _section(file, "hash", md5 + _adler(md5))
        _section(file, "done" if number == segments else "next", None)
        (folder / f"drive.E{number:02}").write_bytes(file)
    return folder / "drive.E01"


def _adler(data: bytes | bytearray) -> bytes:
    return struct.pack("<I", zlib.adler32(data))


def _section(file: bytearray, kind: str, data: bytes | None) -> None:
    """Append a section; one without data is a segment's last, and names itself as the next."""
    at = len(file)
    size = 76 + len(data or b"")
    following = at if data is None else at + size
    descriptor = struct.pack("<16sQQ40x", kind.encode(), following, 0 if data is None else size)
    file += descriptor + _adler(descriptor) + (data or b"")
