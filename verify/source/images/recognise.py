"""What an image file is, by its content: a name says what was meant, never what is there."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from verify.errors import ImageRefused
from verify.platforms.this import PLATFORM
from verify.source.images.image_file import CHECK_COPY, Image, ImageFile
from verify.source.images.split import is_piece, open_split
from verify.structs import ewf, vhd, vhdx, vmdk
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Callable

_HEAD_BYTES = 4096
_CONVERT = say("Convert it to a raw image with the program that made it, and name that image.")

_COMPRESSED = (
    (b"\x1f\x8b\x08", say("a gzip file"), "gzip -dk"),
    (b"\xfd7zXZ\0", say("an xz file"), "xz -dk"),
    (b"\x28\xb5\x2f\xfd", say("a zstd file"), "zstd -dk"),
    (b"BZh", say("a bzip2 file"), "bzip2 -dk"),
    (b"\x04\x22\x4d\x18", say("an lz4 file"), "lz4 -dk"),
    (b"PK\x03\x04", say("a zip file"), "unzip"),
    (b"7z\xbc\xaf\x27\x1c", say("a 7z file"), "7z x"),
)
"""Source: RFC 1952 (deflate is its one method), the xz file format, RFC 8878, bzip2(1) with
`_BZIP2_BLOCKS`, the LZ4 frame format, APPNOTE (zip), 7zFormat.txt."""

_BZIP2_BLOCKS = (bytes.fromhex("314159265359"), bytes.fromhex("177245385090"))

# NOTE: compressed clusters of such images were read as zeros without an error.
_QCOW_REASON = say("this kind is not read by this program")
_OTHER = (
    (0, b"QFI\xfb", say("a QCOW image"), _QCOW_REASON),
    (0x40, b"\x7f\x10\xda\xbe", say("a VDI"), say("this kind is not read by this program")),
    (
        0,
        b"WithoutFreeSpace",
        say("a Parallels image"),
        say("this kind is not read by this program"),
    ),
    (
        0,
        b"WithouFreSpacExt",
        say("a Parallels image"),
        say("this kind is not read by this program"),
    ),
    (
        0,
        vmdk.OLD_SPARSE_MAGIC,
        say("a server's snapshot of a VMDK"),
        say("it holds only what differs"),
    ),
    (
        0,
        vmdk.SE_SPARSE_MAGIC,
        say("a server's snapshot of a VMDK"),
        say("it holds only what differs"),
    ),
    (0, ewf.LOGICAL_SIGNATURE, say("an L01 evidence file"), say("it holds files, not a drive")),
    *(
        (0, magic, say("an EWF version 2 file"), say("only version 1 (E01) is read"))
        for magic in ewf.SIGNATURES_OF_VERSION_2
    ),
    (0, b"AFF10\r\n\0", say("an AFF image"), say("this kind is not read by this program")),
    (0, b"sprs", say("a sparse disk image"), say("this kind is not read by this program")),
    (0, b"encrcdsa", say("an encrypted disk image"), say("it is encrypted")),
    (0, b"MSWIM\0\0\0", say("a WIM file"), say("it holds files, not a drive")),
)
"""Source: QEMU docs/interop (qcow2, parallels), the VDI header, EWF 1 and 2 (libewf), the rest from
memory."""

_VHD_NAMES = frozenset({".vhd", ".avhd"})
_NAMED = {
    ".vhd": "VHD",
    ".avhd": "VHD",
    ".vhdx": "VHDX",
    ".avhdx": "VHDX",
    ".vmdk": "VMDK",
    ".e01": "E01",
    ".ex01": "EWF",
    ".s01": "EWF",
    ".l01": "EWF",
    ".vdi": "VDI",
    ".qcow": "QCOW",
    ".qcow2": "QCOW",
}
_RENAME = say(
    "Copy the image again from where it was made. If it is a raw image after all, rename it to"
    " end in .img."
)
_GIVE_DESCRIPTOR = say(
    "If it is an extent of a VMDK, give the small file that describes it; if it is a raw image"
    " after all, rename it to end in .img."
)


def open_image(file: ImageFile) -> Image | None:
    """Open what an image file holds; `None`: raw bytes, in this one file.

    Raises:
        ImageRefused: a container that is not read, or is damaged, or misses a part.
    """
    head = _peek(file, 0, min(_HEAD_BYTES, file.size_bytes))
    opener = _opener(head)
    if opener is not None:
        _hold_alone(file)
        return opener(file)
    _refuse_other(file, head)
    if is_piece(file.path):
        return open_split(file)
    footer = _last_sector(file)
    if footer.startswith(vhd.COOKIE):
        from verify.source.images.vhd import fixed_footer_problem, open_fixed  # noqa: PLC0415

        problem = fixed_footer_problem(footer, file.size_bytes)
        if problem is None:
            return open_fixed(file, footer)
        if Path(file.path).suffix.casefold() in _VHD_NAMES:
            raise ImageRefused(file.path, say("a VHD"), problem, CHECK_COPY)
        # NOTE: of any other name it is a raw image, whose last sector may hold what it likes.
    _hold_name(file)
    return None


def _opener(head: bytes) -> Callable[[ImageFile], Image] | None:
    """Return what opens a container.

    NOTE: imported here, since these load numpy, and most of what is read is no container.
    """
    if head.startswith(vhd.COOKIE):
        from verify.source.images.vhd import open_dynamic  # noqa: PLC0415

        return open_dynamic
    if head.startswith(vhdx.SIGNATURE):
        from verify.source.images.vhdx import open_vhdx  # noqa: PLC0415

        return open_vhdx
    if head.startswith(vmdk.MAGIC):
        from verify.source.images.vmdk import open_sparse_vmdk  # noqa: PLC0415

        return open_sparse_vmdk
    if head.startswith(ewf.SIGNATURE):
        from verify.source.images.ewf import open_e01  # noqa: PLC0415

        return open_e01
    if head.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(vmdk.FIRST_LINE):
        from verify.source.images.vmdk import open_described  # noqa: PLC0415

        return open_described
    return None


def _hold_alone(file: ImageFile) -> None:
    """Refuse a container that was cut into pieces itself."""
    stem, dot, ending = file.path.rpartition(".")
    following = stem + dot + f"{int(ending) + 1:0{len(ending)}}" if ending.isdecimal() else ""
    if is_piece(file.path) and Path(following).is_file():
        raise ImageRefused(
            file.path,
            say("a container in pieces"),
            say("only raw images are read in pieces"),
            say("Join its pieces into one file first."),
        )


def _refuse_other(file: ImageFile, head: bytes) -> None:
    """Refuse what is compressed, and containers of kinds that are not read, by name."""
    for magic, kind, command in _COMPRESSED:
        if head.startswith(magic) and (magic != b"BZh" or head[4:10] in _BZIP2_BLOCKS):
            advice = say("Unpack it first: {command} {name}", command=command, name=file.name)
            raise ImageRefused(file.path, kind, say("packed images are not read"), advice)
    for offset, magic, kind, reason in _OTHER:
        if head[offset : offset + len(magic)] == magic:
            raise ImageRefused(file.path, kind, reason, _CONVERT)
    last = _last_sector(file)
    if last.startswith(b"koly"):
        reason = say("this kind is not read by this program")
        raise ImageRefused(file.path, say("a DMG disk image"), reason, _CONVERT)


def _last_sector(file: ImageFile) -> bytes:
    length = vhd.FOOTER.size
    return _peek(file, file.size_bytes - length, length) if file.size_bytes >= length else b""


def _peek(file: ImageFile, offset: int, length: int) -> bytes:
    """Return bytes to recognise an image by; none where the drive that it lies on fails there."""
    try:
        return file.read(offset, length)
    except OSError as error:
        if not PLATFORM.is_medium_error(error):
            raise
        return b""


def _hold_name(file: ImageFile) -> None:
    """Refuse raw bytes under a container's name: its header, or its footer, is gone."""
    meant = _NAMED.get(Path(file.path).suffix.casefold())
    if meant is not None:
        raise ImageRefused(
            file.path,
            say("a file named as {kind}", kind=meant),
            say("its contents are not; it was damaged, cut short or renamed"),
            _GIVE_DESCRIPTOR if meant == "VMDK" else _RENAME,
        )
