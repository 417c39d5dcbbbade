"""The field tables of on-disk structures as pages: offset, size, name, meaning, source."""

from __future__ import annotations

import pkgutil
import struct
from importlib import import_module
from inspect import cleandoc
from typing import TYPE_CHECKING

import verify.structs
from verify.structs.base import Structure

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import ModuleType

    from verify.structs.base import Field

SAID_IN = {
    "efi": "running.md",
    "gpt": "rules/table-intact.md",
    "mbr": "rules/table-intact.md",
    "regf": "formats/registry.md",
}
"""Where it is said what is checked, if not on the format's page of the same name."""

_ORDERS = {"<": "little-endian", ">": "big-endian"}


def structure_pages() -> dict[str, str]:
    """Return a page for each module of field tables: its name, and its text."""
    pages: dict[str, str] = {}
    for found in pkgutil.iter_modules(verify.structs.__path__):
        module = import_module(f"verify.structs.{found.name}")
        tables = [item for item in vars(module).values() if isinstance(item, Structure)]
        if tables:
            pages[found.name] = "\n".join(_page(module, tables)) + "\n"
    return pages


def _page(module: ModuleType, tables: list[Structure]) -> Iterator[str]:
    title, _, rest = cleandoc(module.__doc__ or "").partition("\n")
    yield f"# {title.rstrip('.')}"
    name = module.__name__.rpartition(".")[2]
    said = SAID_IN.get(name, f"formats/{name}.md")
    yield f"\nWhat is read and checked: [{said}](../{said})."
    if rest.strip():
        yield f"\n{rest.strip()}"
    for table in tables:
        yield from _table(table)


def _table(table: Structure) -> Iterator[str]:
    yield f"\n## {table.name}\n"
    yield f"{table.size:,} bytes, {_ORDERS[table.order]}. Source: {table.source}.\n"
    yield "| offset | size | field | meaning |"
    yield "|---:|---:|---|---|"
    for item in table.fields:
        yield f"| {item.offset} | {_size(table, item)} | `{item.name}` | {_cell(item.meaning)} |"


def _size(table: Structure, item: Field) -> int:
    return struct.calcsize(table.order + item.code)


def _cell(text: str) -> str:
    return text.replace("|", "\\|")
