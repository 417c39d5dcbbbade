"""`python -m verify`, and the console script `drivewitness`."""

from __future__ import annotations

import sys

EXIT_INTERRUPTED = 130


def main() -> int:
    """Run the command line and return its exit code."""
    try:
        # NOTE: reader processes import this file again; only the command itself needs the rest.
        from verify.cli.app import run  # noqa: PLC0415

        return run(sys.argv[1:])
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED


if __name__ == "__main__":
    sys.exit(main())
