"""Who hands a report over: the shop's name, address and logo, in the head of the page."""

from __future__ import annotations

from base64 import b64encode
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from blake3 import blake3

from verify.errors import LogoUnusable
from verify.text.message import say
from verify.text.system_words import system_words

if TYPE_CHECKING:
    from pathlib import Path

_MOST_BYTES = 1 << 20
_KINDS = {b"\x89PNG\r\n\x1a\n": "image/png", b"\xff\xd8\xff": "image/jpeg"}
"""How a picture begins (PNG 1.2, section 12.12; ITU-T T.81, annex B: SOI, then a marker).

No SVG: it is a document that may name others, and act.
"""


@dataclass(frozen=True, slots=True)
class Logo:
    """A picture that is embedded: its media type and bytes."""

    media_type: str
    contents: bytes

    @property
    def base64(self) -> str:
        """The picture's bytes as they stand in an address of their own (RFC 2397)."""
        return b64encode(self.contents).decode("ascii")


@dataclass(frozen=True, slots=True)
class Letterhead:
    """The shop, as far as it is set; `address`: lines."""

    name: str | None = None
    address: tuple[str, ...] = ()
    logo: Logo | None = None

    def __bool__(self) -> bool:
        """Whether anything of it is set."""
        return bool(self.name or self.address or self.logo)

    @property
    def document(self) -> dict[str, Any] | None:
        """What a report's JSON form tells of it; the logo by its BLAKE3."""
        if not self:
            return None
        logo = None if self.logo is None else blake3(self.logo.contents).hexdigest()
        return {"name": self.name, "address": list(self.address), "logo_blake3": logo}


NO_LETTERHEAD = Letterhead()


def read_logo(path: Path) -> Logo:
    """Return the picture in a file.

    Raises:
        LogoUnusable: it cannot be read, is neither PNG nor JPEG, or is larger than 1 MiB.
    """
    try:
        if not path.is_file():
            raise LogoUnusable(str(path), say("it is not an ordinary file"))
        with path.open("rb") as file:
            contents = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise LogoUnusable(str(path), system_words(error)) from error
    kind = next((kind for start, kind in _KINDS.items() if contents.startswith(start)), None)
    if kind is None:
        raise LogoUnusable(str(path), say("it is neither PNG nor JPEG"))
    if len(contents) > _MOST_BYTES:
        raise LogoUnusable(str(path), say("it is larger than 1 MiB"))
    return Logo(kind, contents)
