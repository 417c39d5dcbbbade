"""The version of the tool; what ran follows from it alone, as every registry is written out."""

__version__ = "0.1.0"
