"""The list of an audit: every file and folder of a drive read again that is not as recorded."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from verify.errors import UsageError
from verify.text.message import say

if TYPE_CHECKING:
    from verify.audit.reread import LaterName

ENDINGS = (".csv", ".jsonl")

AuditListOption = Annotated[
    str | None,
    typer.Option(
        "--differences",
        metavar="FILE",
        help=say(
            "List every file and folder of the drives read again that is not as recorded (.csv or"
            " .jsonl). Needs --names."
        ),
    ),
]


def place_of_list(
    path: str | None, inputs: tuple[str, ...], result: Path, *, names: bool
) -> Path | None:
    """Return where the list goes, once it is clear that it can go there; `None`: nowhere.

    `result`: where the audit's own result goes.

    Raises:
        UsageError: it is the customer's edition, a format is unknown, or a file may not be written.
    """
    from verify.cli.difference_files import difference_files

    if path is None:
        return None
    if Path(path).suffix not in ENDINGS:
        raise UsageError(
            say("{path}: unknown file type.", path=path),
            say("Use one of {known}.", known=", ".join(ENDINGS)),
        )
    return difference_files([path], inputs, names=names, others=(result,)).files[0]


@contextmanager
def audit_list(file: Path | None) -> Iterator["Callable[[str, LaterName], None] | None"]:
    """Give what writes one name of a job to the list; `None` where there is none."""
    from dataclasses import asdict, fields

    from verify.audit.reread import LaterName
    from verify.report.csv_text import csv_line
    from verify.report.difference_lists import day_in_list, json_line
    from verify.whole_file import whole_file

    if file is None:
        yield None
        return
    with whole_file(file) as writing:
        if file.suffix == ".csv":
            writing.write(csv_line(["job", *(item.name for item in fields(LaterName))]))

        def write(job: str, name: "LaterName") -> None:
            row = {"job": job, **asdict(name)}
            if file.suffix == ".jsonl":
                writing.write(json_line(row))
                return
            for moment in ("then_modified", "now_modified"):
                row[moment] = day_in_list(row[moment])
            writing.write(csv_line(row.values()))

        yield write
