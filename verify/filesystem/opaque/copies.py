"""What kinds without a reader have in common: headers kept in several copies, each with a checksum.

Of such a kind it is proven that its headers are whole; what lies behind them is compared as bytes.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from verify.errors import PastEnd, SourceUnreadable
from verify.filesystem.examination import Effect, Examination, Fault, Recorder
from verify.source.window import Window
from verify.text.message import say


@dataclass(slots=True)
class Copies:
    """The copies of one header, examined one after the other.

    `first_decides`: the driver reads the first one alone, and refuses the volume without it, though
    the others are whole.
    """

    window: Window
    structure: str
    first_decides: bool = False
    recorder: Recorder = field(default_factory=Recorder)
    _whole: int = 0
    _bad: list[Fault] = field(default_factory=list)

    def read(self, place: str, offset: int, length: int) -> bytes | None:
        """Return the bytes of a copy; where they cannot be had, that is the copy's fault."""
        self.recorder.compared()
        try:
            return self.window.read(offset, length)
        except PastEnd:
            end = say("the volume ends at byte {size_bytes}", size_bytes=self.window.size_bytes)
            self.bad(
                place,
                say("place"),
                end,
                say("{length} bytes at byte {offset}", length=length, offset=offset),
                offset,
            )
        except SourceUnreadable as error:
            self.bad(
                place,
                say("contents"),
                say("cannot be read: {reason}", reason=error.reason),
                say("readable"),
                offset,
            )
        return None

    def bad(self, place: str, what: str, stored: str, expected: str, offset: int) -> None:
        """Note what is wrong with a copy; what that does depends on the others."""
        self._bad.append(
            Fault(
                effect=Effect.REPAIRED,
                structure=self.structure,
                place=place,
                field=what,
                stored=stored,
                expected=expected,
                offset=offset,
            )
        )

    def good(self) -> None:
        """Note a copy that is whole."""
        self._whole += 1

    def checksum(self, place: str, stored: bytes | int, computed: bytes | int, offset: int) -> bool:
        """Return whether a checksum is right, and note it where it is not."""
        if stored == computed:
            return True
        words = say(
            "{stored}, over its contents {computed}", stored=_hex(stored), computed=_hex(computed)
        )
        self.bad(place, say("checksum"), words, say("the same"), offset)
        return False

    def examination(self) -> Examination:
        """Return what came of all copies."""
        for fault in self._bad:
            first = self.first_decides and fault.place == "copy 1"
            effect = Effect.REFUSED if first or not self._whole else Effect.REPAIRED
            self.recorder.fault(replace(fault, effect=effect))
        return Examination(structure=self.recorder.result())


def _hex(value: bytes | int) -> str:
    return value.hex().upper() if isinstance(value, bytes) else f"{value:08X}"
