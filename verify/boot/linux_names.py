"""How Linux names a filesystem or a drive, in configuration files and on a kernel's command line.

Sources: mount(8) and fstab(5) (tags, escapes), udev's links below /dev/disk, the kernel's
admin guide (`root=`), dracut.cmdline(7), systemd-cryptsetup-generator(8), kernel-command-line(7).
"""

from __future__ import annotations

import re
import shlex
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.boot.boot_record import LinuxKind

if TYPE_CHECKING:
    from collections.abc import Iterator


@dataclass(frozen=True, slots=True)
class Named:
    """Something named: by what kind of name, what for, and (mount point, mapped name) as what."""

    kind: LinuxKind
    value: str
    purpose: str
    target: str | None = None
    optional: bool = False


_TAGS: dict[str, LinuxKind] = {
    "UUID": "uuid",
    "PARTUUID": "partuuid",
    "LABEL": "label",
    "PARTLABEL": "partlabel",
    "ID": "by-id",
}
_LINKS: dict[str, LinuxKind] = {
    "by-uuid": "uuid",
    "by-partuuid": "partuuid",
    "by-label": "label",
    "by-partlabel": "partlabel",
    "by-id": "by-id",
    "by-path": "by-path",
}
_DEVICE = re.compile(
    r"/dev/(?:(?:sd|hd|vd|xvd)[a-z]+\d*|nvme\d+n\d+(?:p\d+)?|mmcblk\d+(?:p\d+)?|nbd\d+(?:p\d+)?)"
)
_NUMBERED_DEVICE = re.compile(r"\d+:\d+|[0-9a-fA-F]{3,4}")
_MAPPED = re.compile(r"/dev/(?:mapper/.+|md/.+|md[\d_].*|dm-\d+|(?!disk/)[^/]+/[^/]+)")
_UDEV_ESCAPE = re.compile(r"\\x([0-9a-fA-F]{2})")


def kind_of(text: str) -> tuple[LinuxKind, str]:
    """Return by what kind of name a filesystem is named, and the name itself."""
    text = text.strip("\"'")
    tag, equals, rest = text.partition("=")
    if equals and tag in _TAGS:
        return _TAGS[tag], rest.strip("\"'")
    if text.startswith("/dev/disk/"):
        folder, _, name = text.removeprefix("/dev/disk/").partition("/")
        return _LINKS.get(folder, "none"), _UDEV_ESCAPE.sub(_unescaped, name)
    if _DEVICE.fullmatch(text):
        return "device", text
    if _MAPPED.fullmatch(text):
        return "mapper", text
    if text.startswith("/") and not text.startswith(("/dev/", "//")):
        return "path", text
    return "none", text


def _unescaped(found: re.Match[str]) -> str:
    return chr(int(found[1], 16))


_PLAIN_PARAMETERS = {
    "root": "root",
    "real_root": "root",
    "resume": "resume",
    "real_resume": "resume",
    "mount.usr": "mount",
    "boot": "mount",
}
_LUKS_PARAMETERS = ("rd.luks.uuid", "luks.uuid", "rd_LUKS_UUID")
_LUKS_NAME_PARAMETERS = ("rd.luks.name", "luks.name")
_VOLUME_PARAMETERS = ("rd.lvm.lv", "rd_LVM_LV")
_RAID_PARAMETERS = ("rd.md.uuid", "rd_MD_UUID")


def command_line(words: list[str]) -> Iterator[Named]:
    """Yield what a kernel's command line names.

    A variable of the boot loader (`$name`) names nothing yet and is passed over.
    """
    for word in words:
        parameter, equals, value = word.partition("=")
        if not equals or not value or "$" in value:
            continue
        if parameter in _PLAIN_PARAMETERS:
            yield _plain(value, _PLAIN_PARAMETERS[parameter])
        elif parameter in _LUKS_PARAMETERS:
            yield Named("uuid", value.removeprefix("luks-"), "crypt")
        elif parameter in _LUKS_NAME_PARAMETERS:
            uuid, _, name = value.partition("=")
            yield Named("uuid", uuid, "crypt", name or None)
        elif parameter == "cryptdevice":
            device, _, name = value.partition(":")
            yield Named(*kind_of(device), "crypt", name.split(":", 1)[0] or None)
        elif parameter in _VOLUME_PARAMETERS:
            yield Named("mapper", value, "volume")
        elif parameter in _RAID_PARAMETERS:
            yield Named("uuid", value, "raid")


def _plain(value: str, purpose: str) -> Named:
    # SPEC: kernel admin guide, root=: also major:minor, or the two in hex.
    if _NUMBERED_DEVICE.fullmatch(value):
        return Named("device", value, purpose)
    return Named(*kind_of(value), purpose)


def words_of(line: str) -> list[str]:
    """Split a line as a shell does; where its quotes do not match, at white space."""
    try:
        return shlex.split(line)
    except ValueError:
        return line.split()
