r"""A fit as a script that a technician reads, and runs: it makes the new drive's partition table.

This program runs nothing. The script names no device: it asks for one, and partitions it only if
it has the planned size and sectors, and carries no table, filesystem or other signature yet. So
neither the old drive nor any drive in use is taken for the new one.

Nothing that a drive wrote stands in a script as it is: names of partitions are written in hex.
sfdisk reads `\xNN` in a quoted name as that byte (libfdisk, script.c: `unhexmangle_string`); for
parted the shell's printf makes the bytes.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from verify.errors import UsageError
from verify.fit.solve import FIRST_LOGICAL
from verify.text.message import say
from verify.version import __version__

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from verify.fit.fit_document import FitDocument, FitPartition
    from verify.manifest.header import Header, Partition

SFDISK, PARTED = ".sfdisk.sh", ".parted.sh"
SCRIPT_ENDINGS = (SFDISK, PARTED)

_GUID = re.compile(r"[0-9A-F]{8}-(?:[0-9A-F]{4}-){3}[0-9A-F]{12}")
_HEX_BYTE = re.compile(r"[0-9A-F]{2}")
_MBR_ID = re.compile(r"[0-9A-F]{8}")

_USUAL_ENTRIES = 128
_MOST_NAME_UNITS = 36
"""UEFI 2.10 section 5.3.3: PartitionName has 72 bytes."""

# sfdisk(8): names for bits 0 to 2, `GUID:` and the numbers for bits 48 to 63.
_ATTRIBUTE_NAMES = {0: "RequiredPartition", 1: "NoBlockIOProtocol", 2: "LegacyBIOSBootable"}
_FIRST_OWN_BIT, _BITS = 48, 64
_UNNAMED_BITS = (1 << _FIRST_OWN_BIT) - 1 - 0b111

# parted(8) "set": the flags that stand for a type GUID; `None`: what mkpart gives a partition of
# that filesystem (the second of the pair) by itself.
_PARTED_GPT: dict[str, tuple[str | None, str]] = {
    "C12A7328-F81F-11D2-BA4B-00A0C93EC93B": ("esp", "fat32"),
    "E3C9E316-0B5C-4DB8-817D-F92DF00215AE": ("msftres", ""),
    "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7": ("msftdata", ""),
    "DE94BBA4-06D1-4D40-A16A-BFD50179D6AC": ("diag", ""),
    "0FC63DAF-8483-4772-8E79-3D69D8477DE4": (None, "ext4"),
    "0657FD6D-A4AB-43C4-84E5-0933C84B4F4F": (None, "linux-swap"),
    "E6D6D379-F507-44C2-A23C-238F2A3DF928": ("lvm", ""),
    "A19D880F-05FC-4D3B-A006-743F0F84911E": ("raid", ""),
    "21686148-6449-6E6F-744E-656564454649": ("bios_grub", ""),
}
_PARTED_MBR = {"07": "ntfs", "83": "ext4", "82": "linux-swap", "0C": "fat32", "0B": "fat32"}
_MBR_SECTOR = 512
_LBA_TYPES = frozenset({"0C", "0F"})


def script_of(fit: FitDocument, header: Header, ending: str) -> str:
    """Return the script that lays out the new drive; `ending`: which program it is for.

    `fit`: one that fits; `header`: the old drive's, of which it is. All of it is ASCII.

    Raises:
        UsageError: it has no table, or that program cannot make such a layout.
    """
    if header.table.scheme == "none" or not fit.partitions:
        raise UsageError(
            say("The old drive has no partition table, so no script is written."),
            say("Clone it as it is."),
        )
    rows = _rows(fit, header)
    if ending == PARTED:
        _hold_for_parted(fit, header, rows)
    body: Callable[[Header, _Rows], Iterator[str]] = _sfdisk if ending == SFDISK else _parted
    commands = [*body(header, rows), *_left_out(rows, ending)]
    return "\n".join([*_head(fit, header, ending), *commands, ""])


_Rows = list[tuple["FitPartition", "Partition"]]


def _rows(fit: FitDocument, header: Header) -> _Rows:
    """Pair each place with the partition that it is for, by number."""
    old = {item.number: item for item in header.partitions}
    return [(row, old[row.number]) for row in sorted(fit.partitions, key=lambda row: row.number)]


def _head(fit: FitDocument, header: Header, ending: str) -> Iterator[str]:
    """Yield what stands before the commands: the plan, and the checks of the drive."""
    size, sector = fit.target.size_bytes, fit.target.sector_bytes
    program = ending.split(".")[1]
    yield from (
        "#!/bin/sh",
        f"# The layout for a new drive of {size:,} bytes in sectors of {sector:,} bytes,",
        f"# worked out by drivewitness {__version__}. It makes a new partition table there, and",
        "# nothing else: no filesystem and no contents. Read it before you run it.",
        "#",
        "# Find the new drive by size, model and serial number, then run:",
        f"#   NEW_DRIVE=/dev/... sh FILE{ending}",
        "# It stops, with nothing written, unless that drive has exactly this size, these",
        "# sectors, and no partition table, filesystem or other signature yet.",
        "#",
        "# partition: start and size in sectors",
    )
    for row, _ in _rows(fit, header):
        yield f"# {row.number:9}: {row.start_lba} {row.sectors}"
    yield from (
        "set -eu",
        "LC_ALL=C.UTF-8; export LC_ALL",
        f"planned_bytes={size}",
        f"planned_sector={sector}",
        'NEW_DRIVE="${NEW_DRIVE-}"',
        'stop() { printf "Nothing was written: %s\\n" "$1" >&2; exit 1; }',
        f"for program in {program} wipefs; do",
        '    command -v "$program" >/dev/null || stop "$program is not installed."',
        "done",
        'case "$NEW_DRIVE" in',
        "    /*|./*) ;;",
        '    *) stop "set NEW_DRIVE to the new drive, such as NEW_DRIVE=/dev/..." ;;',
        "esac",
        'if [ -b "$NEW_DRIVE" ]; then',
        '    bytes=$(blockdev --getsize64 "$NEW_DRIVE")',
        '    sector=$(blockdev --getss "$NEW_DRIVE")',
        'elif [ -f "$NEW_DRIVE" ]; then',
        '    bytes=$(stat -L -c %s "$NEW_DRIVE")',
        "    sector=512 # what partitioning programs take an image for",
        "else",
        '    stop "$NEW_DRIVE is neither a drive nor an image."',
        "fi",
        '[ "$bytes" = "$planned_bytes" ] ||',
        '    stop "$NEW_DRIVE has $bytes bytes, not the planned $planned_bytes."',
        '[ "$sector" = "$planned_sector" ] ||',
        '    stop "$NEW_DRIVE has sectors of $sector bytes, not the planned $planned_sector."',
        'found=$(wipefs --no-act --noheadings --output TYPE "$NEW_DRIVE") ||',
        '    stop "$NEW_DRIVE cannot be read."',
        '[ -z "$found" ] ||',
        '    stop "$NEW_DRIVE is not empty: it may be the old drive, or hold data."',
    )


def _left_out(rows: _Rows, ending: str) -> Iterator[str]:
    program = ending.split(".")[1]
    for _, partition in rows:
        if not _is_writable(partition.name or "", ending):
            what = f"{program} cannot write the name of partition {partition.number}"
            yield f'echo "{what}: it has none now." >&2'
        unnamed = partition.attributes & _UNNAMED_BITS
        if unnamed and ending == SFDISK:
            what = f"sfdisk cannot write attributes {unnamed:X} of partition {partition.number}"
            yield f'echo "{what}: the cloning program has to bring them." >&2'


def _sfdisk(header: Header, rows: _Rows) -> Iterator[str]:
    """Yield one call of sfdisk, its input behind it, and what verifies it."""
    table = header.table
    gpt = table.scheme == "gpt"
    yield "sfdisk --wipe never --wipe-partitions never \"$NEW_DRIVE\" <<'LAYOUT'"
    yield f"label: {'gpt' if gpt else 'dos'}"
    identity = table.disk_id or ""
    if (_GUID if gpt else _MBR_ID).fullmatch(identity):
        yield f"label-id: {identity if gpt else f'0x{identity}'}"
    yield "unit: sectors"
    used = table.primary if table.used == "primary" else table.backup
    if gpt and used is not None and used.entries_count > _USUAL_ENTRIES:
        yield f"table-length: {used.entries_count}"
    for row, partition in rows:
        fields = [f"start={row.start_lba}", f"size={row.sectors}"]
        fields += _gpt_fields(partition) if gpt else _mbr_fields(partition)
        yield f"{row.number}: {', '.join(fields)}"
    yield "LAYOUT"
    yield 'sfdisk --verify "$NEW_DRIVE"'


def _gpt_fields(partition: Partition) -> Iterator[str]:
    yield f"type={_held(_GUID, partition.type)}"
    if partition.guid is not None and _GUID.fullmatch(partition.guid):
        yield f"uuid={partition.guid}"
    if name := _name_bytes(partition, SFDISK):
        yield 'name="' + "".join(f"\\x{byte:02x}" for byte in name) + '"'
    named = [word for bit, word in _ATTRIBUTE_NAMES.items() if partition.attributes >> bit & 1]
    own = [str(bit) for bit in range(_FIRST_OWN_BIT, _BITS) if partition.attributes >> bit & 1]
    if own:
        named.append(f"GUID:{','.join(own)}")
    if named:
        yield f'attrs="{" ".join(named)}"'


def _mbr_fields(partition: Partition) -> Iterator[str]:
    yield f"type={_held(_HEX_BYTE, partition.type).lower()}"
    if partition.active:
        yield "bootable"


def _parted(header: Header, rows: _Rows) -> Iterator[str]:
    """Yield the calls of parted, which cannot set identities; they are named."""
    gpt = header.table.scheme == "gpt"
    yield 'make() { parted --script --align none "$NEW_DRIVE" "$@"; }'
    yield f"make mklabel {'gpt' if gpt else 'msdos'}"
    for row, partition in rows:
        yield from (_parted_gpt if gpt else _parted_mbr)(row, partition)
    yield "make unit s print"
    what = "partition and disk GUIDs and attributes" if gpt else "the disk signature"
    yield f'echo "parted sets no {what}: the cloning program has to bring them." >&2'


def _parted_gpt(row: FitPartition, partition: Partition) -> Iterator[str]:
    flag, kind = _PARTED_GPT[partition.type]
    last = row.start_lba + row.sectors - 1
    place = f"{kind} {row.start_lba}s {last}s".lstrip()
    yield f"make mkpart '\"\"' {place}"
    if name := _name_bytes(partition, PARTED):
        yield f"make name {row.number} \"$(printf '{_for_parted(name)}')\""
    if flag is not None:
        yield f"make set {row.number} {flag} on"


def _parted_mbr(row: FitPartition, partition: Partition) -> Iterator[str]:
    part = "extended" if partition.container else "primary"
    kind = "" if partition.container else f"{_PARTED_MBR[partition.type]} "
    if row.number >= FIRST_LOGICAL:
        part = "logical"
    last = row.start_lba + row.sectors - 1
    yield f"make mkpart {part} {kind}{row.start_lba}s {last}s"
    if partition.container or kind == "fat32 ":
        yield f"make set {row.number} lba {'on' if partition.type in _LBA_TYPES else 'off'}"
    if partition.active:
        yield f"make set {row.number} boot on"


def _hold_for_parted(fit: FitDocument, header: Header, rows: _Rows) -> None:
    """Hold that parted makes this layout.

    Raises:
        UsageError: it fails on such a table, or cannot give these numbers or types.
    """
    advice = say("Write it for sfdisk: end the file's name with {ending}.", ending=SFDISK)
    gpt = header.table.scheme == "gpt"
    if not gpt and fit.target.sector_bytes != _MBR_SECTOR:
        # NOTE: parted 3.5 ends there by its own assertion, in about every second run (tried).
        raise UsageError(
            say(
                "parted fails on an MBR in sectors of {sector:,} bytes.",
                sector=fit.target.sector_bytes,
            ),
            advice,
        )
    for _, partition in rows:
        known = partition.container or partition.type in (_PARTED_GPT if gpt else _PARTED_MBR)
        if not known:
            raise UsageError(
                say(
                    "parted cannot give partition {number} its type, {type}.",
                    number=partition.number,
                    type=partition.type,
                ),
                advice,
            )
    numbers = [row.number for row, _ in rows if gpt or row.number < FIRST_LOGICAL]
    logical = [row for row, _ in rows if not gpt and row.number >= FIRST_LOGICAL]
    by_place = [row.number for row in sorted(logical, key=lambda row: row.start_lba)]
    if numbers != _counted(1, numbers) or by_place != _counted(FIRST_LOGICAL, by_place):
        raise UsageError(
            say("parted numbers partitions by itself, and not as on the old drive."), advice
        )


def _counted(first: int, numbers: Sequence[int]) -> list[int]:
    return list(range(first, first + len(numbers)))


def _held(pattern: re.Pattern[str], value: str) -> str:
    """Return a value of a manifest that stands in a script as it is.

    Raises:
        UsageError: it is not written as it must be.
    """
    if not pattern.fullmatch(value):
        raise UsageError(
            say("{type}: not a partition type that can be written.", type=value),
            say("Capture the old drive again."),
        )
    return value


def _name_bytes(partition: Partition, ending: str) -> bytes:
    """Return a name in UTF-8; nothing where the program cannot write it, or there is none."""
    name = partition.name or ""
    return name.encode("utf-8") if _is_writable(name, ending) else b""


def _is_writable(name: str, ending: str) -> bool:
    """Whether a program writes a name as it is.

    NOTE: tried with sfdisk 2.38 and parted 3.5: neither writes a character beyond U+FFFF, and
    parted is aborted by a control character in a name.
    """
    controls = ending == PARTED and any(not " " <= sign != "\x7f" for sign in name)
    beyond = any(sign > "\uffff" or "\ud800" <= sign <= "\udfff" for sign in name)
    return not beyond and not controls and len(name) <= _MOST_NAME_UNITS


def _for_parted(name: bytes) -> str:
    r"""Return a name as octal escapes for printf, quoted as parted's own parser has it.

    NOTE: parted splits its arguments again; within double quotes a backslash takes the next
    character as it is. The last quote keeps the shell from cutting line breaks off.
    """
    quoted = b'"' + re.sub(rb'(["\\])', rb"\\\1", name) + b'"'
    return "".join(f"\\{byte:03o}" for byte in quoted)
