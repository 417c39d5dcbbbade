"""The command line as a whole: which commands there are, and how every one of them ends."""

import contextlib
import functools
import os
import sys
import traceback
from collections.abc import Callable, Sequence
from typing import Annotated, TextIO

import typer

from verify.cli import audit
from verify.cli.capture import capture
from verify.cli.check import check
from verify.cli.compare import compare
from verify.cli.demo import demo
from verify.cli.drives import drives
from verify.cli.ending import EXIT_INTERRUPTED, Ended
from verify.cli.fit import fit
from verify.cli.identify import identify
from verify.cli.jobs import add_job, export_jobs, judge_job, list_jobs, show_job
from verify.cli.jobs_seal import delete_job, job_started, make_shop_key, verify_jobs
from verify.cli.jobs_share import share_jobs
from verify.cli.output import emit, output_failed
from verify.cli.report import report
from verify.cli.rules import rules
from verify.cli.running import running
from verify.cli.show import show
from verify.errors import UsageError, WitnessError
from verify.version import __version__

PROGRAM = "drivewitness"
TRACEBACK_VARIABLE = "DRIVEWITNESS_TRACEBACK"
"""Set to anything, it adds the traceback to the sentence about a fault of ours."""

EXIT_FAULT = 70

COMMANDS = (
    check,
    capture,
    compare,
    report,
    show,
    drives,
    fit,
    identify,
    running,
    rules,
    demo,
)

GROUPS: dict[str, tuple[str, dict[str, Callable[..., int]]]] = {
    "jobs": (
        "The archive of jobs: filed, sealed, searched, judged again.",
        {
            "list": list_jobs,
            "show": show_job,
            "add": add_job,
            "judge": judge_job,
            "export": export_jobs,
            "verify": verify_jobs,
            "key": make_shop_key,
            "started": job_started,
            "delete": delete_job,
            "share": share_jobs,
        },
    ),
    "audit": (
        "The spot audit: how many jobs to draw, what they show, what that says of the rest.",
        {"plan": audit.plan, "run": audit.run, "report": audit.report},
    ),
}
"""Commands that have commands of their own: what they are about, and which."""


def run(arguments: Sequence[str]) -> int:
    """Run one command; return the exit code of the contract, whatever happens."""
    for stream in (sys.stdout, sys.stderr):
        _never_fail_on_text(stream)
    try:
        _hold_docstrings()
        typer.main.get_command(_application())(list(arguments), prog_name=PROGRAM)
    except SystemExit as ending:
        # NOTE: the library prints help itself, and ends with 1 where nobody reads it.
        if isinstance(ending.__context__, OSError):
            return _tell(output_failed(ending.__context__))
        return ending.code if isinstance(ending.code, int) else EXIT_FAULT
    except WitnessError as error:
        return _tell(error)
    except OSError as error:  # of that help
        return _tell(output_failed(error))
    except Exception as error:  # noqa: BLE001 - the interpreter would exit with 1, which is `review`
        return _tell_fault(error)
    return 0


def _hold_docstrings() -> None:
    # NOTE: the rules' pages and the help are docstrings.
    if sys.flags.optimize > 1:
        raise UsageError(
            "Python was told to drop docstrings (-OO, PYTHONOPTIMIZE), which are printed here.",
            "Start it without.",
        )


def _never_fail_on_text(stream: TextIO) -> None:
    # NOTE: a console of an older code page cannot show most of the world's file names.
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="backslashreplace")


def _application() -> typer.Typer:
    application = typer.Typer(
        add_completion=False,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    application.callback()(_options)
    for command in COMMANDS:
        application.command()(_ending_well(command))
    for group, (about, commands) in GROUPS.items():
        inner = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help=about)
        for name, command in commands.items():
            inner.command(name)(_ending_well(command))
        application.add_typer(inner, name=group)
    return application


def _print_version(asked: bool) -> None:  # noqa: FBT001 - how an option's callback is called
    if asked:
        emit(f"{PROGRAM} {__version__}\n")
        raise typer.Exit


def _options(
    *,
    version: Annotated[
        bool,
        typer.Option(
            "--version", help="Print the version and exit.", is_eager=True, callback=_print_version
        ),
    ] = False,
) -> None:
    """Say whether a drive was cloned whole, before the old one is wiped.

    Drives and images are only ever read. Exit: 0 sound, 1 review, 3 stop, 2 wrong usage,
    4 an input or output that cannot be used, 70 a fault of this program, 130 interrupted.
    """


def _ending_well(command: Callable[..., int]) -> Callable[..., None]:
    """Wrap a command so that it always ends with an exit code and, at worst, one sentence."""

    @functools.wraps(command)
    def ending(**arguments: object) -> None:
        try:
            code = command(**arguments)
        except WitnessError as error:
            code = _tell(error)
        except (Ended, KeyboardInterrupt):
            _say(f"{PROGRAM}: interrupted; nothing was written to any drive.\n")
            code = EXIT_INTERRUPTED
        except Exception as error:  # noqa: BLE001 - a fault of ours is a sentence and exit 70
            code = _tell_fault(error)
        raise typer.Exit(code)

    return ending


def _say(text: str) -> None:
    """Write to standard error, if anybody still reads it; the exit code stands either way."""
    with contextlib.suppress(OSError):
        sys.stderr.write(text)
        sys.stderr.flush()


def _tell(error: WitnessError) -> int:
    from verify.report.harmless import harmless

    _say(f"{PROGRAM}: {harmless(str(error), 900)}\n")
    if hint := error.hint():
        _say(f"  {harmless(hint, 900)}\n")
    return error.exit_code


def _tell_fault(error: Exception) -> int:
    from verify.report.harmless import harmless

    what = harmless(f"{type(error).__name__}: {error}", 900)
    _say(f"{PROGRAM}: this program failed ({what}).\n")
    _say(f"  No verdict was reached. Set {TRACEBACK_VARIABLE}=1 to see where it happened.\n")
    if os.environ.get(TRACEBACK_VARIABLE):
        traceback.print_exception(error, file=sys.stderr)
    return EXIT_FAULT
