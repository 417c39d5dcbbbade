"""Groups of options: objects to a command, options of their own to whoever types."""

from __future__ import annotations

import inspect
from typing import Any

import typer
from typer.testing import CliRunner

from verify.cli.check import check
from verify.cli.option_groups import FilingOptions, ScopeOptions, with_option_groups

GOT: dict[str, Any] = {}

IN_ORDER = """
    source target depth seed confidence sample_files sample_blocks scratch retries
    source_view target_view one_partition whole_drive keep fit report differences names replace
    format paper lang shop shop_address shop_logo sheet
    job archive shared technician customer notes key ask json
"""


@with_option_groups
def grouped(drive: str, *, scope: ScopeOptions, filing: FilingOptions) -> int:
    """Keep what it is given."""
    GOT.update(drive=drive, scope=scope, filing=filing)
    return 0


def test_command_when_it_takes_groups_then_each_comes_as_an_object() -> None:
    """What is not given is the group's own default."""
    application = typer.Typer()
    application.command()(grouped)
    given = ["--whole-drive", "old.img", "--customer", "no. 7"]
    result = CliRunner().invoke(application, given, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert {
        "drive": "old.img",
        "scope": ScopeOptions(one_partition=False, whole_drive=True),
        "filing": FilingOptions(customer="no. 7"),
    } == GOT


def test_check_when_its_options_are_listed_then_groups_stand_where_they_are_taken() -> None:
    """The order of the help, as it was before there were groups."""
    assert list(inspect.signature(check).parameters) == IN_ORDER.split()
