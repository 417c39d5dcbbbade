"""A raw image in pieces: `name.001`, `name.002` and so on, or from `name.000`."""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from verify.source.images.facts import ImageFacts
from verify.source.images.image_file import Image, ImageFile, Refusing
from verify.text.message import Message, say

if TYPE_CHECKING:
    from collections.abc import Iterator

_NUMBERED = re.compile(r"(.+\.)(\d{3,})\Z", re.DOTALL)
_KIND = say("a piece of a split raw image")
_ALL_PIECES = say("Put all of its pieces into one folder, and give the first.")
_SECTOR = 512
_FIRST_NUMBERS = (0, 1)


@dataclass(frozen=True, slots=True)
class _Numbered:
    """A file's name in two parts: `stem` with its full stop, and a number of `width` digits."""

    stem: str
    number: int
    width: int

    def path(self, number: int) -> str:
        return f"{self.stem}{number:0{self.width}}"


@dataclass(slots=True, kw_only=True)
class SplitRaw(Image):
    """The bytes of all pieces, one after the other."""

    _starts: list[int] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        """Note where each piece begins."""
        at = 0
        for file in self.files:
            self._starts.append(at)
            at += file.size_bytes

    def read(self, offset: int, length: int) -> bytes:
        """Return these bytes of the drive."""
        parts = []
        end = offset + length
        while offset < end:
            number = bisect_right(self._starts, offset) - 1
            inside = offset - self._starts[number]
            size = min(self.files[number].size_bytes - inside, end - offset)
            parts.append(self.files[number].read(inside, size))
            offset += size
        return parts[0] if len(parts) == 1 else b"".join(parts)


def is_piece(path: str) -> bool:
    """Whether a file is named as a piece of a split image.

    Three digits are; more of them, which may be a date, where the first piece lies beside it or
    it is the first.
    """
    named = _numbered(path)
    if named is None:
        return False
    usual = named.width == len("001") or named.number in _FIRST_NUMBERS
    return usual or any(Path(named.path(number)).is_file() for number in _FIRST_NUMBERS)


def _numbered(path: str) -> _Numbered | None:
    found = _NUMBERED.match(path)
    if found is None or not found[2].isascii():
        return None
    return _Numbered(found[1], int(found[2]), len(found[2]))


def open_split(first: ImageFile) -> SplitRaw:
    """Open a split raw image by its first piece; the others are looked for beside it.

    Raises:
        ImageRefused: a piece is missing, empty or of another size, or it is not the first.
    """
    refusing = Refusing(first.path, _KIND)
    named = _numbered(first.path)
    if named is None:
        raise refusing.because(say("its name does not end in a number"))
    beside = sorted(_beside(named))
    lowest = next((number for number in _FIRST_NUMBERS if number in beside), None)
    if lowest is None:
        raise refusing.because(
            say("the first piece ({file}) is missing", file=Path(named.path(1)).name),
            say(
                "{advice} If it is a whole raw image, rename it to end in .img.", advice=_ALL_PIECES
            ),
        )
    if named.number != lowest:
        start = Path(named.path(lowest)).name
        raise refusing.because(
            say("it is not the first piece"), say("Give {start}; the rest is found.", start=start)
        )
    missing = next((number for number in range(lowest, beside[-1]) if number not in beside), None)
    if missing is not None:
        raise refusing.because(
            say("the piece {file} is missing", file=Path(named.path(missing)).name), _ALL_PIECES
        )
    files = [first]
    try:
        files += [ImageFile.opened(named.path(number)) for number in beside[1:]]
        _hold_sizes(refusing, files)
    except BaseException:
        for file in files[1:]:  # NOTE: the first is closed by who opened it
            file.close()
        raise
    return SplitRaw(files=files, facts=_facts(files))


def _beside(named: _Numbered) -> Iterator[int]:
    """Yield the numbers of the pieces in the folder: 1000 follows 999."""
    folder, name = Path(named.stem).parent, Path(named.stem + "0").name[:-1]
    for entry in folder.iterdir():
        if not entry.name.startswith(name):
            continue
        digits = entry.name[len(name) :]
        if digits.isascii() and digits.isdigit() and digits == f"{int(digits):0{named.width}}":
            yield int(digits)


def _hold_sizes(refusing: Refusing, files: list[ImageFile]) -> None:
    usual = files[0].size_bytes
    for number, file in enumerate(files, 1):
        if not file.size_bytes:
            raise refusing.because(say("the piece {file} is empty", file=file.name), _ALL_PIECES)
        is_last = number == len(files)
        if file.size_bytes > usual or (file.size_bytes < usual and not is_last):
            raise refusing.because(
                say(
                    "the piece {file} has {size} bytes, the first has {usual}",
                    file=file.name,
                    size=file.size_bytes,
                    usual=usual,
                )
            )
    if sum(file.size_bytes for file in files) % _SECTOR:
        raise refusing.because(
            say("it does not end at a sector boundary: the last piece is cut short"), _ALL_PIECES
        )


def _facts(files: list[ImageFile]) -> ImageFacts:
    notes: tuple[Message, ...] = ()
    if files[-1].size_bytes == files[0].size_bytes:
        words = say(
            "The last piece, {name}, is as long as the first: nothing shows that none follows it.",
            name=files[-1].name,
        )
        notes = (words,)
    return ImageFacts(
        kind="split",
        form="raw",
        files=tuple(file.stored for file in files),
        drive_bytes=sum(file.size_bytes for file in files),
        size_from=say("lengths of its pieces"),
        verified=(
            say("no piece is missing before the last, and all but the last are of one size"),
        ),
        notes=notes,
    )
