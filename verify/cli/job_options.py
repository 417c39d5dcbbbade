"""Arguments and options of the commands that have to do with an archive."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from verify.errors import UsageError
from verify.settings.settings import in_force
from verify.text.message import say

if TYPE_CHECKING:
    from verify.archive.archive import Archive
    from verify.archive.seal import Key

JobArgument = Annotated[str, typer.Argument(metavar="ID", help=say("The job's number or name."))]
ArchiveOption = Annotated[
    str | None,
    typer.Option(
        "--archive",
        metavar="DIR",
        help=say(
            "The folder of the archive.  [default: DRIVEWITNESS_ARCHIVE, else the settings file,"
            " else this user's archive]"
        ),
    ),
]
KeyOption = Annotated[
    str | None,
    typer.Option(
        "--key",
        metavar="FILE",
        help=say(
            "The file with the shop's key.  [default: DRIVEWITNESS_KEY, else the settings file,"
            " else this user's key, if there is one]"
        ),
    ),
]
TechnicianOption = Annotated[
    str | None,
    typer.Option(
        "--technician",
        metavar="NAME",
        help=say(
            "The technician's name.  [default: DRIVEWITNESS_TECHNICIAN, else the settings file]"
        ),
    ),
]
SharedOption = Annotated[
    bool | None,
    typer.Option(
        "--shared/--private",
        help=say(
            "Share a new archive with its folder's group, or keep it private.  [default:"
            " DRIVEWITNESS_SHARED, else the settings file, else private]"
        ),
    ),
]
CustomerOption = Annotated[
    str | None,
    typer.Option("--customer", metavar="ALIAS", help=say("The customer; an alias is enough.")),
]
NotesOption = Annotated[
    str | None, typer.Option("--notes", metavar="TEXT", help=say("Notes to store with the job."))
]

AskOption = Annotated[
    bool,
    typer.Option(
        "--ask",
        help=say("Ask at the start for what was not given, such as the technician and notes."),
    ),
]


def place_of_archive(place: str | None) -> Path:
    """Return where an archive is, or would be made: the one that was named, else the user's own."""
    from verify.archive.default_paths import default_archive

    return default_archive() if place is None else Path(place)


def archive_at(place: str | None) -> "Archive":
    """Return the archive at a place, or the user's own.

    Raises:
        ArchiveForeign: there is none.
    """
    from verify.archive.archive import open_archive

    return open_archive(place_of_archive(place))


def archive_to_file_in(place: str | None, *, shared: bool | None = None) -> "Archive":
    """Return the archive at a place, or the user's own; made if it is new.

    `shared`: whether a new one is shared with its folder's group; `None`: as the settings have it.

    Raises:
        ArchiveForeign: there is something else.
        OutputError: it cannot be made.
        UsageError: there is one, and it is not as `shared` wants it.
    """
    from verify.archive.archive import make_archive

    wanted = in_force().shared if shared is None else shared
    archive = make_archive(place_of_archive(place), shared=wanted)
    if shared not in {None, archive.shared}:
        raise UsageError(
            say("{archive}: is shared.", archive=str(archive.root))
            if archive.shared
            else say("{archive}: is private.", archive=str(archive.root)),
            say("`jobs share` changes who may read an archive."),
        )
    return archive


def technician_named(given: str | None) -> str | None:
    """Return the technician who was named, else the one of the settings."""
    return in_force().technician if given is None else given


def key_at(place: str | None) -> "Key | None":
    """Return the key in a file, or the user's own where there is one.

    Raises:
        KeyUnusable: the file holds no key, or others may read it.
    """
    from verify.archive.default_paths import default_key
    from verify.archive.seal import read_key

    if place is not None:
        return read_key(Path(place))
    own = default_key()
    return read_key(own) if own.exists() else None
