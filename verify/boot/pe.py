"""The head of a file that a machine starts: a PE image or not, for which machine."""

from __future__ import annotations

from verify.boot.boot_record import LoaderImage
from verify.structs import pe
from verify.text.message import say

_KERNEL_SECTIONS = (b".linux", b".cmdline")
"""SPEC: UAPI group, "Unified Kernel Image": the sections a kernel and its command line lie in."""

_MOST_SECTIONS = 96
"""SPEC: "PE Format": the Windows loader limits the number of sections to 96."""


def read_image_header(head: bytes, path: str = "", size_bytes: int | None = None) -> LoaderImage:
    """Read the head of a loader, a driver or a kernel.

    Args:
        head: its first bytes; 4 KiB are enough for what linkers write.
        path: where it lies on its partition.
        size_bytes: its length, where known.
    """
    if not head:
        return LoaderImage(path=path, form="empty", size_bytes=size_bytes)
    if not any(head):
        return LoaderImage(path=path, form="zero", size_bytes=size_bytes)
    if not head.startswith(pe.DOS_SIGNATURE) or len(head) < pe.DOS_HEADER.size:
        return LoaderImage(path=path, form="other", size_bytes=size_bytes)
    at = pe.DOS_HEADER.parse(head).number("pe_offset")
    if head[at : at + len(pe.PE_SIGNATURE)] != pe.PE_SIGNATURE:
        return LoaderImage(
            path=path,
            form="mz",
            size_bytes=size_bytes,
            problem=say("no PE signature at byte {at}, where the header puts it", at=at),
        )
    return _read_pe(head[at:], path, size_bytes)


def _read_pe(data: bytes, path: str, size_bytes: int | None) -> LoaderImage:
    optional = data[pe.COFF_HEADER.size :]
    if len(optional) < pe.OPTIONAL_HEADER.size:
        return LoaderImage(
            path=path, form="pe", size_bytes=size_bytes, problem=say("it ends inside its PE header")
        )
    coff = pe.COFF_HEADER.parse(data)
    machine = coff.number("machine")
    return LoaderImage(
        path=path,
        form="pe",
        size_bytes=size_bytes,
        machine=pe.MACHINES.get(machine, f"{machine:04X}"),
        subsystem=pe.OPTIONAL_HEADER.parse(optional).number("subsystem"),
        holds_kernel=all(
            name
            in _sections(optional[coff.number("optional_header_bytes") :], coff.number("sections"))
            for name in _KERNEL_SECTIONS
        ),
    )


def _sections(table: bytes, count: int) -> list[bytes]:
    """Return the names of the sections whose headers are there."""
    size = pe.SECTION_HEADER.size
    whole = min(count, _MOST_SECTIONS, len(table) // size)
    return [
        pe.SECTION_HEADER.parse(table[index * size :]).raw("name").rstrip(b"\0")
        for index in range(whole)
    ]
