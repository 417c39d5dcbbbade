"""A registry hive read in bounds: the one place that calls the hive library.

The library gets the bytes, not a path. Whatever it raises becomes a `StructureError`; how much is
walked is counted here, so that a hive whose keys loop or share their values ends in an error
instead of never. A crash inside the library is contained by the process that reads the partition.
"""

from __future__ import annotations

import io
import time
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

import pyregf

from verify.boot.store_record import HiveState
from verify.errors import StructureError, TooMuch
from verify.structs.regf import (
    BASE_BLOCK,
    BASE_BLOCK_BYTES,
    RESIDENT,
    SIGNATURE,
    VALUE,
    VALUE_SIGNATURE,
    base_block_checksum,
)
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

T = TypeVar("T")

REG_SZ = 1
REG_EXPAND_SZ = 2
REG_BINARY = 3
REG_DWORD = 4
REG_MULTI_SZ = 7

_FILETIME_A_SECOND = 10_000_000
_SECONDS_1601_TO_1970 = 11_644_473_600

_STRUCTURE = say("registry hive")
_MOST_PROBLEMS = 100

FOREIGN_ERRORS: dict[type[Exception], str] = {
    OSError: say("damaged"),
    AttributeError: say("a key that is not there"),
    MemoryError: say("a length that no hive has"),
    OverflowError: say("a number that no hive has"),
    UnicodeError: say("a name that is not valid text"),
    ValueError: say("a value that is not of its type"),
    TypeError: say("a value that is not of its type"),
    RuntimeError: say("given up by the library"),
    SystemError: say("given up by the library"),
}
"""What the hive library raises, and what each means; anything else is a fault of ours."""


@dataclass(slots=True)
class Budget:
    """How much of a hive may still be walked: steps (keys and values), value bytes, seconds."""

    steps: int = 200_000
    value_bytes: int = 64 << 20
    seconds: float = 30.0
    _deadline: float = field(init=False)

    def __post_init__(self) -> None:
        """Start the clock."""
        self._deadline = time.monotonic() + self.seconds

    def spend(self, value_bytes: int = 0) -> None:
        """Count one step and the bytes it brings.

        Raises:
            TooMuch: the budget is used up.
        """
        self.steps -= 1
        self.value_bytes -= value_bytes
        for left, what in (
            (self.steps, say("keys and values")),
            (self.value_bytes, say("bytes of values")),
            (self._deadline - time.monotonic(), say("seconds of reading")),
        ):
            if left < 0:
                raise TooMuch(
                    _STRUCTURE,
                    0,
                    say("size"),
                    say("a believable number of {what}", what=what),
                    say("more"),
                )


@dataclass(frozen=True, slots=True)
class Value:
    """One value: its name, registry type and bytes, with the readings its type allows."""

    name: str
    type: int
    data: bytes

    @property
    def text(self) -> str | None:
        """The text of REG_SZ or REG_EXPAND_SZ up to its first NUL, or `None`."""
        if self.type not in (REG_SZ, REG_EXPAND_SZ):
            return None
        decoded = utf16(self.data)
        return None if decoded is None else decoded.split("\0", 1)[0]

    @property
    def texts(self) -> tuple[str, ...] | None:
        """The texts of REG_MULTI_SZ up to its first empty one, or `None`."""
        decoded = utf16(self.data) if self.type == REG_MULTI_SZ else None
        if decoded is None:
            return None
        parts = decoded.split("\0")
        return tuple(parts[: parts.index("")] if "" in parts else parts)

    @property
    def number(self) -> int | None:
        """The number of REG_DWORD, or `None`."""
        if self.type != REG_DWORD or len(self.data) != 4:  # noqa: PLR2004 - a DWORD
            return None
        return int.from_bytes(self.data, "little")


class Hive:
    """A hive in memory: its state, its root, and what of it could not be read so far."""

    def __init__(
        self, data: bytes, *, logs: tuple[str, ...] = (), budget: Budget | None = None
    ) -> None:
        """Open the hive; `logs` are the transaction logs beside it that hold anything.

        Raises:
            StructureError: the bytes are no hive, or its root cannot be read.
        """
        self.state = hive_state(data, logs)
        self.problems: list[str] = []
        self._data = data
        self._budget = budget or Budget()
        end = BASE_BLOCK_BYTES + self.state.hive_bins_bytes
        if end > len(data):
            self.note(
                say("the hive should be {end} bytes long and is {count}", end=end, count=len(data))
            )
        self._file = pyregf.file()
        self._call(lambda: say("base block"), self._file.open_file_object, io.BytesIO(data))
        root = self._call(lambda: say("root key"), self._file.get_root_key)
        if root is None:
            raise StructureError(_STRUCTURE, 0, say("root key"), say("there"), say("missing"))
        self.root = Key(self, root, "")

    def note(self, problem: str) -> None:
        """Keep a problem, once; of endlessly many the first, and that there are more."""
        if problem in self.problems or len(self.problems) > _MOST_PROBLEMS:
            return
        more = len(self.problems) == _MOST_PROBLEMS
        self.problems.append(say("there are more problems than these") if more else problem)

    def give_up(self, error: TooMuch) -> None:
        """Keep why nothing further was read, before everything else."""
        self.problems.insert(0, str(error))

    def attempt(
        self, what: Callable[[], str], function: Callable[..., T], *arguments: Any
    ) -> T | None:
        """Call the library for one step; note what fails and return `None` then.

        Raises:
            TooMuch: the budget is used up.
        """
        self._budget.spend()
        try:
            return self._call(what, function, *arguments)
        except StructureError as error:
            self.note(say("{field}: {got}", field=error.field, got=error.got))
            return None

    def value_data(self, value: Any, size: int) -> bytes:
        """Return a value's bytes.

        NOTE: of a value that lies in its own cell, the library (20260526) gives the wrong bytes
        where there are fewer than four: every flag of a real boot store reads as false. Such
        values are taken from the cell here; hivex agrees.
        """
        if size == 0:
            return b""
        cell = VALUE.parse(self._data[value.offset : value.offset + VALUE.size], value.offset)
        if cell.raw("signature") == VALUE_SIGNATURE and cell.number("size") & RESIDENT:
            stored = cell.number("size") & ~RESIDENT
            return cell.raw("data_offset")[:stored]
        data: bytes = value.get_data()
        return data

    def afford(self, value_bytes: int) -> None:
        """Count the bytes of a value before they are asked for."""
        self._budget.spend(value_bytes)

    @staticmethod
    def _call(what: Callable[[], str], function: Callable[..., T], *arguments: Any) -> T:
        """Call the library; what it raises is translated by `FOREIGN_ERRORS`.

        `what` says what was asked for, and is called on failure only: there are many calls.
        """
        try:
            return function(*arguments)
        except tuple(FOREIGN_ERRORS) as error:
            got = next(text for kind, text in FOREIGN_ERRORS.items() if isinstance(error, kind))
            raise StructureError(_STRUCTURE, 0, what(), say("readable"), got) from error


class Key:
    """One key of a hive; every step from it is counted, what fails is noted in `Hive.problems`."""

    def __init__(self, hive: Hive, key: Any, path: str) -> None:
        self._hive = hive
        self._key = key
        self.path = path

    @property
    def name(self) -> str:
        """The key's own name."""
        return self.path.rsplit("\\", 1)[-1]

    def subkeys(self) -> Iterator[Key]:
        """Yield the keys below that can be read."""
        for found in self._each("number_of_sub_keys", self._key.get_sub_key, self._key_said):
            if (key := self._below(found)) is not None:
                yield key

    def values(self) -> Iterator[Value]:
        """Yield the values that can be read."""
        for found in self._each("number_of_values", self._key.get_value, self._value_said):
            if (value := self._read(found)) is not None:
                yield value

    def key(self, name: str) -> Key | None:
        """Return the key below by its name, upper and lower case alike, or `None`."""
        found = self._hive.attempt(
            lambda: self._key_said(name), self._key.get_sub_key_by_name, name
        )
        return None if found is None else self._below(found)

    def descend(self, *names: str) -> Key | None:
        """Return the key at the end of a path of names, or `None`."""
        here: Key | None = self
        for name in names:
            here = here and here.key(name)
        return here

    def value(self, name: str) -> Value | None:
        """Return a value by its name, or `None` where there is none that can be read."""
        found = self._hive.attempt(
            lambda: self._value_said(name), self._key.get_value_by_name, name
        )
        return None if found is None else self._read(found)

    @property
    def _said(self) -> str:
        return self.path or say("the root")

    def _key_said(self, name: str | int) -> str:
        return say("key {name} of {holder}", name=name, holder=self._said)

    def _value_said(self, name: str | int) -> str:
        return say("value {name} of {holder}", name=name, holder=self._said)

    def _nameless_key_said(self) -> str:
        return say("a key of {holder}", holder=self._said)

    def _nameless_value_said(self) -> str:
        return say("a value of {holder}", holder=self._said)

    def _each(
        self, count: str, get: Callable[[int], Any], said: Callable[[int], str]
    ) -> Iterator[Any]:
        number = self._hive.attempt(lambda: self._said, getattr, self._key, count) or 0
        for index in range(number):
            found = self._hive.attempt(partial(said, index), get, index)
            if found is not None:
                yield found

    def _below(self, found: Any) -> Key | None:
        name = self._hive.attempt(self._nameless_key_said, getattr, found, "name")
        return None if name is None else Key(self._hive, found, f"{self.path}\\{name}")

    def _read(self, found: Any) -> Value | None:
        name = self._hive.attempt(self._nameless_value_said, getattr, found, "name") or ""
        type_ = self._hive.attempt(self._nameless_value_said, getattr, found, "type")
        size = self._hive.attempt(self._nameless_value_said, getattr, found, "data_size")
        if type_ is None or size is None:
            return None
        self._hive.afford(size)
        data = self._hive.attempt(self._nameless_value_said, self._hive.value_data, found, size)
        return None if data is None else Value(str(name), type_, data)


def hive_state(data: bytes, logs: tuple[str, ...] = ()) -> HiveState:
    """Return how a hive was left, from its base block.

    Raises:
        StructureError: the bytes are no hive.
    """
    block = BASE_BLOCK.parse(data)
    if block.raw("signature") != SIGNATURE:
        got = block.raw("signature").hex().upper()
        raise StructureError(_STRUCTURE, 0, say("signature"), SIGNATURE.hex().upper(), got)
    return HiveState(
        size_bytes=len(data),
        version=f"{block.number('major_version')}.{block.number('minor_version')}",
        primary_sequence=block.number("primary_sequence"),
        secondary_sequence=block.number("secondary_sequence"),
        stored_checksum=block.number("checksum"),
        computed_checksum=base_block_checksum(data),
        hive_bins_bytes=block.number("hive_bins_bytes"),
        logs=logs,
        last_written=_unix_seconds(block.number("last_written")),
    )


def _unix_seconds(filetime: int) -> int | None:
    """Return a FILETIME as seconds since 1970 UTC; `None` where none was set."""
    # SPEC: Microsoft Learn, "FILETIME": units of 100 nanoseconds since 1601-01-01 UTC.
    return filetime // _FILETIME_A_SECOND - _SECONDS_1601_TO_1970 if filetime else None


def utf16(data: bytes) -> str | None:
    """Return UTF-16LE bytes as text, or `None` where they cannot be decoded."""
    try:
        return data.decode("utf-16-le")
    except UnicodeDecodeError:
        return None
