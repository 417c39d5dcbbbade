"""`python -m verify`, and the console script `drivewitness`."""

from __future__ import annotations

import sys


def main() -> int:
    """Run the command line and return its exit code."""
    # NOTE: reader processes import this file again; only the command itself needs the rest.
    from verify.cli.app import run  # noqa: PLC0415

    return run(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
