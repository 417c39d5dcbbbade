"""What a look at the started machine showed, and the drives attached to one, for people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from verify.report.comparison_report import both_sizes
from verify.report.terminal import facts_table, plain, section, sentence

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import Console

    from verify.machine.running_machine import SeenDrive

_STATES = {"fits": "fits", "differs": "DIFFERS", "beware": "BEWARE", "not_told": "not told"}

_SAYS = {
    "yes": "this machine runs from the new drive, and from it alone",
    "beware": "it runs from the new drive, but something has to be looked at first",
    "no": "this machine does NOT run from the new drive",
    "cannot_tell": "whether it runs from the new drive cannot be told",
}

_NEXT = {
    "yes": "Keep the old drive until `identify` on it says that nothing stands against wiping it.",
    "beware": "Put right what is named above, start the machine again, and look again.",
    "no": "Wipe nothing. Switch off, look at which drive is attached where, start again.",
    "cannot_tell": "Wipe nothing. Where a serial number is named above, compare it with the label"
    " of the new drive; only who saw both agree, and the old drive away, files `jobs started`.",
}


def print_running(console: Console, document: dict[str, Any]) -> None:
    """Print whether the machine runs from the new drive, and everything that was looked at."""
    answer = document["answer"]
    if answer == "yes" and not document["fits"]:
        answer = "beware"
    badge = {"yes": "YES", "beware": "LOOK AGAIN", "no": "NO", "cannot_tell": "CANNOT TELL"}
    console.print(Text(f" {badge[answer]} ", style="bold reverse"), end=" ")
    console.print(sentence(_SAYS[answer], "bold"))
    section(console, "LOOKED AT")
    table = Table.grid(padding=(0, 2))
    table.add_column(no_wrap=True)
    table.add_column()
    for check in document["checks"]:
        heavy = "bold" if check["state"] in {"differs", "beware"} else ""
        table.add_row(Text(_STATES[check["state"]], style=heavy), sentence(check["message"], heavy))
    console.print(table)
    section(console, "THE NEW DRIVE", "as it was recorded")
    console.print(facts_table(_expected(document["expected"])))
    section(console, "NEXT")
    console.print(Padding(sentence(_NEXT[answer]), (0, 0, 0, 2)))


def _expected(drive: dict[str, Any]) -> Iterator[tuple[str, str]]:
    yield "model", drive["model"] or "not told"
    yield "serial", drive["serial"] or "not told"
    yield "size", both_sizes(drive["size_bytes"])
    yield "id", drive["disk_id"] or "none"


def print_drives(console: Console, drives: Sequence[SeenDrive]) -> None:
    """Print the drives attached to this machine, each with what tells it from the others."""
    if not drives:
        console.print(Text("no drives are shown by this system"))
    for drive in drives:
        console.print()
        head = plain(drive.path, "bold") + Text(f"  {both_sizes(drive.size_bytes)}")
        if drive.system:
            head += Text("  ") + Text(" THIS SYSTEM RUNS FROM IT ", style="bold reverse")
        console.print(head)
        console.print(Padding(facts_table(_facts(drive)), (0, 0, 0, 2)))


def _facts(drive: SeenDrive) -> Iterator[tuple[str, str]]:
    yield "model", drive.model or "not told"
    serial = drive.serial or "not told"
    yield "serial", f"{serial} (of the adapter)" if drive.serial_source == "adapter" else serial
    how = [drive.bus] if drive.bus else []
    how += ["removable"] if drive.removable else []
    how += ["read-only"] if drive.read_only else []
    if how:
        yield "attached", ", ".join(how)
    if drive.table is None:
        yield "table", f"not read: {drive.not_opened or 'not asked for'}"
    elif drive.table.scheme == "none":
        yield "table", "none"
    else:
        count = len(drive.table.partitions)
        id_ = drive.table.disk_id or "not told"
        yield "table", f"{drive.table.scheme.upper()}, {count} partitions, id {id_}"
    yield "mounted", ", ".join(drive.mounted) or "no"
