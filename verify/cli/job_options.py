"""Arguments and options of the commands that have to do with an archive."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

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
        help=say("The folder of the archive.  [default: this user's archive]"),
    ),
]
KeyOption = Annotated[
    str | None,
    typer.Option(
        "--key",
        metavar="FILE",
        help=say("The file with the shop's key.  [default: this user's key, if there is one]"),
    ),
]
TechnicianOption = Annotated[
    str | None, typer.Option("--technician", metavar="NAME", help=say("The technician's name."))
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
        help=say(
            "Ask at the start for the job name, technician, customer and notes that were not given."
        ),
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


def archive_to_file_in(place: str | None) -> "Archive":
    """Return the archive at a place, or the user's own; made if it is new.

    Raises:
        ArchiveForeign: there is something else.
        OutputError: it cannot be made.
    """
    from verify.archive.archive import make_archive

    return make_archive(place_of_archive(place))


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
