"""`python -m verify`, and the console script `drivewitness`."""

import sys

from verify.own_code import keep_to_own_code, ran_own_process


def main() -> int:
    """Run the command line and return its exit code."""
    keep_to_own_code()
    if ran_own_process(sys.argv[1:]):
        return 0
    # NOTE: reader processes import this file again; only the command itself needs the rest.
    from verify.cli.ending import (  # noqa: PLC0415
        EXIT_INTERRUPTED,
        Ended,
        end_when_told,
        ending_already,
        open_what_is_closed,
    )

    open_what_is_closed()
    try:
        end_when_told()
        from verify.cli.app import run  # noqa: PLC0415

        return run(sys.argv[1:])
    except (Ended, KeyboardInterrupt):
        return EXIT_INTERRUPTED
    finally:
        ending_already()


if __name__ == "__main__":
    sys.exit(main())
