"""What Linux configuration names: fstab, crypttab, GRUB's and systemd-boot's files.

Configuration is not run: variables, conditions and included files are not followed, so a name
that only a script could work out is passed over, and every branch counts. Equal names in one file
are one reference with a count.

Sources: fstab(5), crypttab(5), the GRUB manual ("search", "linux", "set"), the UAPI group's boot
loader specification (entries of type 1), initramfs-tools(7).
"""

from __future__ import annotations

import re
from itertools import pairwise
from typing import TYPE_CHECKING

from verify.boot.boot_record import LinuxReference, Setting
from verify.boot.linux_names import Named, command_line, kind_of, words_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from verify.boot.boot_record import LinuxKind

MOST_LINES = 50_000
LONGEST_LINE = 16_384
MOST_REFERENCES = 4_096

_OPTIONAL = {"nofail", "noauto"}
_OCTAL = re.compile(r"\\([0-7]{3})")


def read_configuration(data: bytes, path: str) -> tuple[LinuxReference, ...]:
    r"""Return what one configuration file names, in the order of its lines.

    Args:
        data: the file; bytes that are no UTF-8 are kept as `\xNN`.
        path: where it lies on its partition; its name decides how it is read.
    """
    reader = _reader(path)
    found: dict[Named, tuple[int, int]] = {}
    if reader is None:
        return ()
    for number, line in _lines(data):
        for named in reader(line):
            if named in found:
                first, count = found[named]
                found[named] = first, count + 1
            elif len(found) < MOST_REFERENCES:
                found[named] = number, 1
    return tuple(
        LinuxReference(
            file=path,
            line=first,
            count=count,
            kind=named.kind,
            value=named.value,
            purpose=named.purpose,
            target=named.target,
            optional=named.optional,
        )
        for named, (first, count) in found.items()
    )


def _lines(data: bytes) -> Iterator[tuple[int, str]]:
    """Yield numbered lines without blank ones, comments and lines no editor would write."""
    text = data.decode("utf-8", "backslashreplace")
    for number, line in enumerate(text.split("\n", MOST_LINES)[:MOST_LINES], 1):
        stripped = line.strip().lstrip("\ufeff")
        if stripped and not stripped.startswith("#") and len(stripped) <= LONGEST_LINE:
            yield number, stripped


# --- tables of filesystems --------------------------------------------------------------------


def _fstab(line: str) -> Iterator[Named]:
    fields = [_OCTAL.sub(lambda found: chr(int(found[1], 8)), field) for field in line.split()]
    if len(fields) < 3:  # noqa: PLR2004 - what, where, type; the rest may be left out
        return
    options = set(fields[3].split(",")) if len(fields) > 3 else set()  # noqa: PLR2004
    purpose = "swap" if fields[2] == "swap" else "mount"
    if options & {"bind", "rbind"}:
        purpose = "bind"
    yield Named(*kind_of(fields[0]), purpose, fields[1], bool(options & _OPTIONAL))


def _crypttab(line: str) -> Iterator[Named]:
    fields = line.split()
    if len(fields) < 2:  # noqa: PLR2004 - name and device
        return
    options = set(fields[3].split(",")) if len(fields) > 3 else set()  # noqa: PLR2004
    yield Named(*kind_of(fields[1]), "crypt", fields[0], bool(options & _OPTIONAL))


# --- GRUB -------------------------------------------------------------------------------------

_KERNEL_COMMANDS = {"linux", "linux16", "linuxefi", "kernel", "multiboot", "multiboot2"}
_FILE_COMMANDS = {
    "initrd": "initrd",
    "initrd16": "initrd",
    "initrdefi": "initrd",
    "chainloader": "chainload",
    "configfile": "config",
}
_SEARCHES: dict[str, LinuxKind] = {
    "--fs-uuid": "uuid",
    "-u": "uuid",
    "--label": "label",
    "-l": "label",
    "--file": "path",
    "-f": "path",
    "search.fs_uuid": "uuid",
    "search.fs_label": "label",
    "search.file": "path",
}
_PREFIXED = re.compile(r"\(([^)]*)\)(.*)", re.DOTALL)


def _grub(line: str) -> Iterator[Named]:
    words = words_of(line)
    command = words[0] if words else ""
    if command == "search" or command in _SEARCHES:
        yield from _grub_search(words)
    elif command == "set" and len(words) > 1:
        yield from _grub_set(*words[1].partition("=")[::2])
    elif command in _KERNEL_COMMANDS and len(words) > 1:
        yield from _grub_file(words[1], "kernel")
        yield from command_line(words[2:])
    elif command in _FILE_COMMANDS:
        for word in words[1:]:
            yield from _grub_file(word, _FILE_COMMANDS[command])
    elif command in ("root", "rootnoverify") and len(words) > 1:
        yield from _grub_file(words[1], "grub-root")
    elif command == "uuid" and len(words) > 1:
        yield Named("uuid", words[1], "search")


def _grub_search(words: list[str]) -> Iterator[Named]:
    kind = next((_SEARCHES[word] for word in words if word in _SEARCHES), None)
    values = [
        word
        for before, word in pairwise(words)
        if not word.startswith("-") and not _takes_value(before)
    ]
    if kind is None or not values:
        return
    # NOTE: `search.fs_uuid VALUE VARIABLE HINTS`, but `search --fs-uuid --set=VARIABLE VALUE`.
    value = values[-1] if words[0] == "search" else values[0]
    if "$" not in value:
        yield Named(kind, value, "search")


def _takes_value(word: str) -> bool:
    return word.startswith("--hint") and "=" not in word


def _grub_set(variable: str, value: str) -> Iterator[Named]:
    if variable == "root" and value and "$" not in value:
        yield Named("device", value.strip("()"), "grub-root")
    elif variable == "prefix":
        yield from _grub_file(value, "prefix")
    elif "kernelopts" in variable:
        yield from command_line(words_of(value))


def _grub_file(word: str, purpose: str) -> Iterator[Named]:
    """Yield a file as GRUB writes it, `(device)/path` or `/path`, as device and path."""
    prefixed = _PREFIXED.fullmatch(word)
    device, path = (prefixed[1], prefixed[2]) if prefixed else ("", word)
    if device and "$" not in device:
        yield Named("device", device, "grub-root")
    if path.startswith("/") and "$" not in path:
        yield Named("path", path, purpose)


def _grubenv(line: str) -> Iterator[Named]:
    variable, _, value = line.partition("=")
    if "kernelopts" in variable:
        yield from command_line(words_of(value))


# --- others -----------------------------------------------------------------------------------


def _loader_entry(line: str) -> Iterator[Named]:
    key, value = (*line.split(None, 1), "")[:2]
    if key == "options":
        yield from command_line(words_of(value))
    elif key in ("linux", "efi", "initrd") and value:
        purpose = {"linux": "kernel", "efi": "chainload"}.get(key, key)
        yield Named("path", value, purpose)


def _shell(line: str) -> Iterator[Named]:
    """Read an assignment of /etc/default/grub or of initramfs-tools' conf.d."""
    variable, _, value = "".join(words_of(line)[:1]).partition("=")
    if variable.startswith("GRUB_CMDLINE_LINUX"):
        yield from command_line(words_of(value))
    elif variable == "RESUME" and value not in ("", "none", "auto"):
        yield Named(*kind_of(value), "resume")


def _bare_command_line(line: str) -> Iterator[Named]:
    yield from command_line(words_of(line))


_READERS: tuple[tuple[str, Callable[[str], Iterator[Named]]], ...] = (
    (r".*/fstab", _fstab),
    (r".*/crypttab", _crypttab),
    (r".*/grub\.cfg|.*/grub\.conf|.*/menu\.lst", _grub),
    (r".*/grubenv", _grubenv),
    (r".*/loader/entries/[^/]+\.conf", _loader_entry),
    (r".*/kernel/cmdline", _bare_command_line),
    (r".*/default/grub(?:\.d/.*)?|.*/initramfs-tools/conf\.d/.*", _shell),
)


def _reader(path: str) -> Callable[[str], Iterator[Named]] | None:
    folded = path.lower()
    return next((read for name, read in _READERS if re.fullmatch(name, folded)), None)


# --- kernel configuration ---------------------------------------------------------------------

KERNEL_OPTIONS = (
    "CONFIG_SATA_AHCI",
    "CONFIG_ATA_PIIX",
    "CONFIG_BLK_DEV_NVME",
    "CONFIG_VMD",
    "CONFIG_BLK_DEV_SD",
    "CONFIG_MMC_BLOCK",
    "CONFIG_USB_STORAGE",
    "CONFIG_VIRTIO_BLK",
    "CONFIG_MD_RAID1",
    "CONFIG_BLK_DEV_DM",
    "CONFIG_EXT4_FS",
    "CONFIG_XFS_FS",
    "CONFIG_BTRFS_FS",
)
"""Options of the kernel that decide whether it finds its root filesystem without a module."""


def read_kernel_config(data: bytes, path: str) -> tuple[Setting, ...]:
    """Return the storage options of one `/boot/config-*`: `y` built in, `m` a module."""
    assigned = (line.partition("=") for _, line in _lines(data))
    return tuple(
        Setting(name=path, attribute=option, value=value)
        for option, _, value in assigned
        if option in KERNEL_OPTIONS
    )
