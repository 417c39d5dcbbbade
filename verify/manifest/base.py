"""What every document about a manifest is made of, and what a pair of manifests is called."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from verify.text.message import Message

Depth = Literal["layout", "sample", "full"]

SOURCE_NAME = "source.manifest.jsonl.gz"
TARGET_NAME = "target.manifest.jsonl.gz"


LARGEST_NUMBER = 1 << 128
"""Sizes are products of two numbers of 64 bits at most, whatever a drive says."""


class Model(BaseModel):
    """Frozen; fields of a later minor version are passed over."""

    model_config = ConfigDict(frozen=True, extra="ignore")


def hold_numbers(value: Any) -> None:
    """Hold that every number of a document can be reckoned with.

    Raises:
        ValueError: one is larger than any that is written, or none at all (NaN, infinity).
    """
    if isinstance(value, int | float):
        if not -LARGEST_NUMBER <= value <= LARGEST_NUMBER:
            raise ValueError("a number is larger than any of a drive")
    else:
        for item in _parts(value):
            hold_numbers(item)


def _parts(value: Any) -> Iterable[Any]:
    if isinstance(value, BaseModel):
        return value.__dict__.values()
    if is_dataclass(value):
        return [getattr(value, part.name) for part in fields(value)]
    if isinstance(value, Mapping):
        return value.values()
    return value if isinstance(value, tuple | list) else ()


_SURROGATES = re.compile("[\ud800-\udfff]")


def storable(value: Any) -> Any:
    r"""Return the same tree with text that is no valid text written out as `\\uXXXX`."""
    if isinstance(value, Message):
        return value.with_names(storable)
    if isinstance(value, str):
        return _SURROGATES.sub(lambda found: f"\\u{ord(found[0]):04X}", value)
    if isinstance(value, dict):
        return {name: storable(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [storable(item) for item in value]
    return value
