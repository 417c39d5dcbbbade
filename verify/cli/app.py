"""The command line as a whole: which commands there are, and how every one of them ends."""

import contextlib
import functools
import os
import sys
import traceback
from collections.abc import Callable, Sequence
from typing import Annotated, Any, TextIO

import typer

from verify.cli import audit
from verify.cli.argument_words import wrong_use
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
from verify.cli.language import language_for
from verify.cli.output import emit, output_failed
from verify.cli.report import report
from verify.cli.rules import rules
from verify.cli.running import running
from verify.cli.settings import settings
from verify.cli.show import show
from verify.cli.spoken_help import SpokenCommand, SpokenGroup, with_spoken_help
from verify.errors import UsageError, WitnessError
from verify.platforms.this import PLATFORM
from verify.settings.settings import in_force, settings_read_once
from verify.text.language import _, speaking, translated
from verify.text.message import Message, say
from verify.version import __version__

PROGRAM = "drivewitness"
TRACEBACK_VARIABLE = "DRIVEWITNESS_TRACEBACK"
"""Set to anything, it adds the traceback to the sentence about a fault of ours."""

EXIT_FAULT = 70

_WrongUse: type[Exception] = typer.BadParameter.__mro__[1]
"""The root of what the library refuses in arguments, wherever a version of it keeps that."""

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
    settings,
    demo,
)

GROUPS: dict[str, tuple[Message, dict[str, Callable[..., int]]]] = {
    "jobs": (
        say("The archive of jobs: file, find, show and check them."),
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
        say("The spot audit: draw some jobs, check them again, report."),
        {"plan": audit.plan, "run": audit.run, "report": audit.report},
    ),
}
"""Commands that have commands of their own: what they are about, and which."""


def all_commands() -> list[Callable[..., object]]:
    """Return every command, those of groups and the program as a whole included."""
    return [_options, *COMMANDS, *(one for _, inner in GROUPS.values() for one in inner.values())]


def run(arguments: Sequence[str]) -> int:
    """Run one command; return the exit code of the contract, whatever happens."""
    PLATFORM.set_up_console()
    for stream in (sys.stdout, sys.stderr):
        _never_fail_on_text(stream)
    with settings_read_once(), speaking(language_for(arguments)):
        return _run(list(arguments))


def _run(arguments: list[str]) -> int:
    try:
        _hold_docstrings()
        command = typer.main.get_command(_application())
        code = command(arguments, prog_name=PROGRAM, standalone_mode=False)
    except SystemExit as ending:
        # NOTE: the library prints help itself, and ends with 1 where nobody reads it.
        if isinstance(ending.__context__, OSError):
            return _tell(output_failed(ending.__context__))
        return ending.code if isinstance(ending.code, int) else EXIT_FAULT
    except _WrongUse as error:
        return _tell_wrong_use(error)
    except (WitnessError, OSError) as error:  # an OSError is of that help
        return _tell(output_failed(error) if isinstance(error, OSError) else error)
    except Exception as error:  # noqa: BLE001 - the interpreter would exit with 1, which is `review`
        return _tell_fault(error)
    return code if isinstance(code, int) else 0


def _hold_docstrings() -> None:
    # NOTE: the rules' pages and the help are docstrings.
    if sys.flags.optimize > 1:
        raise UsageError(
            say("Python runs without docstrings (-OO, PYTHONOPTIMIZE), which hold the help texts."),
            say("Start it without that option."),
        )


def _never_fail_on_text(stream: TextIO) -> None:
    # NOTE: a console of an older code page cannot show most of the world's file names. Lines end
    # alike on all systems: what is printed is the same, byte for byte.
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(encoding=PLATFORM.text_encoding, errors="backslashreplace", newline="\n")


def _application() -> typer.Typer:
    application = typer.Typer(
        cls=SpokenGroup,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    application.callback()(with_spoken_help(_options))
    for command in COMMANDS:
        application.command(cls=SpokenCommand)(_ending_well(command))
    for group, (about, commands) in GROUPS.items():
        inner = typer.Typer(
            cls=SpokenGroup, no_args_is_help=True, rich_markup_mode=None, help=translated(about)
        )
        inner.callback()(with_spoken_help(_no_options))
        for name, command in commands.items():
            inner.command(name, cls=SpokenCommand)(_ending_well(command))
        application.add_typer(inner, name=group)
    return application


WHERE_TRIED = (
    say("Linux: tested."),
    say("Windows: tested under Wine and on simulated drives, never on a real Windows machine."),
    say("macOS: never run; its answers are known from documentation only."),
)
"""docs/systems.md has the whole table."""


def _print_version(context: typer.Context, asked: bool) -> None:  # noqa: FBT001 - how it is called
    if asked:
        more = WHERE_TRIED if context.params.get("verbose") else ()
        emit("".join(f"{line}\n" for line in (f"{PROGRAM} {__version__}", *map(translated, more))))
        raise typer.Exit


def _options(
    *,
    version: Annotated[
        bool,
        typer.Option(
            "--version",
            help=say("Print the version and exit."),
            callback=_print_version,
        ),
    ] = False,
    verbose: Annotated[
        bool,
        typer.Option(
            "--verbose",
            help=say("With --version: say on which systems it was tested."),
            is_eager=True,
        ),
    ] = False,
) -> None:
    """Check that a drive was cloned completely, before the old drive is wiped.

    Drives and images are only read, never written to. Exit codes: 0 sound, 1 review, 3 stop, 2
    wrong usage, 4 an input or output cannot be used, 70 an error in this program, 130
    interrupted.
    """


def _no_options() -> None:
    """Take the options of a group, which has none of its own."""


def _ending_well(command: Callable[..., int]) -> Callable[..., None]:
    """Wrap a command so that it always ends with an exit code and, at worst, one sentence."""
    spoken = with_spoken_help(command)

    @functools.wraps(spoken)
    def ending(**arguments: object) -> None:
        try:
            if command is not settings:  # which says itself what holds, and what is wrong
                in_force()
            code = spoken(**arguments)
        except WitnessError as error:
            code = _tell(error)
        except (Ended, KeyboardInterrupt) as ended:
            words = _("interrupted. The drives that are checked were only read.")
            _say(f"{PROGRAM}: {words}\n")
            for line in ended.args if isinstance(ended, Ended) else ():
                _say(f"  {translated(line)}\n")
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

    _say(f"{PROGRAM}: {harmless(translated(str(error)), 900)}\n")
    if hint := error.hint():
        _say(f"  {harmless(translated(hint), 900)}\n")
    return error.exit_code


def _tell_wrong_use(error: Any) -> int:
    """Say what the library refused, as every other error is said; without arguments, print help."""
    text = error.format_message()
    if text == (error.ctx and error.ctx.get_help()):
        _say(f"{text}\n")
        return int(error.exit_code)
    command = PROGRAM if error.ctx is None else error.ctx.command_path
    advice = say("See `{command} --help`.", command=command)
    return _tell(UsageError(wrong_use(text), advice))


def _tell_fault(error: Exception) -> int:
    from verify.report.harmless import harmless

    what = harmless(f"{type(error).__name__}: {error}", 900)
    failed = _("This program has failed ({what}).", what=what)
    advice = _(
        "There is no verdict. Set {variable}=1 to see where it failed.", variable=TRACEBACK_VARIABLE
    )
    _say(f"{PROGRAM}: {failed}\n  {advice}\n")
    if os.environ.get(TRACEBACK_VARIABLE):
        traceback.print_exception(error, file=sys.stderr)
    return EXIT_FAULT
