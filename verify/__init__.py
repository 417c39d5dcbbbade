"""drivewitness: an independent, read-only check that a drive was migrated whole."""

from verify.version import __version__

__all__ = ["__version__"]
