"""`drivewitness jobs share`: who may read an archive."""

import sys
from typing import Annotated

import typer

from verify.cli.job_options import ArchiveOption, archive_at
from verify.errors import UsageError


def share_jobs(
    *,
    archive: ArchiveOption = None,
    group: Annotated[
        str | None,
        typer.Option("--group", metavar="NAME", help="Give it to this group.  [default: its own]"),
    ] = None,
    off: Annotated[
        bool, typer.Option("--off", help="Share it no longer: its owner's alone again.")
    ] = False,
) -> int:
    """Share the archive with all accounts of its group, from now on; said once, it is stored there.

    Folders get mode 2770 and files 0660. Without this an archive is its owner's alone (0700, 0600).
    """
    from verify.archive.archive import share_archive
    from verify.platforms.this import PLATFORM

    number = None if group is None else _group(group)
    shared = share_archive(archive_at(archive), shared=not off, group=number)
    group_name = PLATFORM.group_name(shared.root.stat().st_gid)
    who = "its owner alone" if off else f"its owner and the group {group_name}"
    sys.stderr.write(f"{shared.root}: can be read and written by {who}.\n")
    return 0


def _group(name: str) -> int:
    from verify.platforms.this import PLATFORM

    number = PLATFORM.group_number(name)
    if number is None:
        raise UsageError(f"{name}: there is no such group.", "`getent group` names them.")
    return number
