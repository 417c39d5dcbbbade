"""`python -m verify`, and the console script `drivewitness`."""

import sys

from verify.own_code import keep_to_own_code

EXIT_INTERRUPTED = 130


def main() -> int:
    """Run the command line and return its exit code."""
    keep_to_own_code()
    try:
        # NOTE: reader processes import this file again; only the command itself needs the rest.
        from verify.cli.app import run  # noqa: PLC0415

        return run(sys.argv[1:])
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED


if __name__ == "__main__":
    sys.exit(main())
