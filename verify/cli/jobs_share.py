"""`drivewitness jobs share`: who may read an archive."""

import sys
from typing import Annotated

import typer

from verify.cli.job_options import ArchiveOption, archive_at
from verify.errors import UsageError
from verify.text.language import translated
from verify.text.message import say


def share_jobs(
    *,
    archive: ArchiveOption = None,
    group: Annotated[
        str | None,
        typer.Option(
            "--group",
            metavar="NAME",
            help=say("Share it with this group.  [default: the archive's own group]"),
        ),
    ] = None,
    off: Annotated[
        bool,
        typer.Option(
            "--off", help=say("Stop sharing: from now on only the owner can use the archive.")
        ),
    ] = False,
) -> int:
    """Share the archive with all accounts of a group.

    The setting is stored in the archive. Folders get mode 2770 and files 0660; in an archive that
    is not shared they have 0700 and 0600, for its owner alone.
    """
    from verify.archive.archive import share_archive
    from verify.platforms.this import PLATFORM

    if not PLATFORM.has_groups:
        raise UsageError(
            say("An archive cannot be shared with a group on this system."),
            say(
                "Let everyone who files jobs use one account, or keep the archive on a computer"
                " with Linux and share it there."
            ),
        )
    number = None if group is None else _group(group)
    shared = share_archive(archive_at(archive), shared=not off, group=number)
    group_name = PLATFORM.group_name(shared.root.stat().st_gid)
    who = say("only its owner")
    if not off:
        who = say("its owner and the group {group}", group=group_name)
    told = say("{archive}: {who} can read and write it.", archive=str(shared.root), who=who)
    sys.stderr.write(f"{translated(told)}\n")
    return 0


def _group(name: str) -> int:
    from verify.platforms.this import PLATFORM

    number = PLATFORM.group_number(name)
    if number is None:
        raise UsageError(
            say("{name}: there is no such group.", name=name),
            say("`getent group` lists the groups."),
        )
    return number
