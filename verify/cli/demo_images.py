"""The demo's drives: where they are, packed, and how they are unpacked without any tool.

In an installed wheel they lie inside the package, in a checkout in `fixtures/demo`, which also
says what each one is and where its faults are.
"""

from __future__ import annotations

import lzma
import os
from pathlib import Path

from verify.errors import OutputError, SourceForeign, SourceMissing
from verify.text.message import say
from verify.text.system_words import system_words
from verify.units import MIB

DEMO = ("old", "sound", "faulty", "busy", "snapshot")
"""The drives by name: an old one, a sound clone of it and one with several faults; then one that
was cloned while its machine was in use, and that clone."""

_PACKAGE = Path(__file__).resolve().parent.parent
_FOLDERS = (_PACKAGE / "_demo", _PACKAGE.parent / "fixtures" / "demo")


def unpack(name: str, into: Path) -> Path:
    """Unpack one drive, leaving holes where whole MiB of it are zero.

    Args:
        name: one of `DEMO`.
        into: a folder to write the image to.

    Returns:
        The raw image; it takes a few MB of disk and some hundred MB of size.

    Raises:
        SourceMissing: this installation came without the demo's drives.
        SourceForeign: the packed drive is damaged.
        OutputError: the image could not be written.
    """
    packed = _packed(name)
    path = into / f"{name}.img"
    try:
        with lzma.open(packed) as source, path.open("wb") as image:
            while piece := source.read(MIB):
                if piece == bytes(len(piece)):
                    image.seek(len(piece), os.SEEK_CUR)
                else:
                    image.write(piece)
            image.truncate()
    except (lzma.LZMAError, EOFError) as error:
        raise SourceForeign(str(packed), say("it is damaged")) from error
    except OSError as error:
        raise OutputError(str(path), system_words(error)) from error
    return path


def _packed(name: str) -> Path:
    """Return where a packed drive is."""
    places = [folder / f"{name}.img.xz" for folder in _FOLDERS]
    for place in places:
        if place.is_file():
            return place
    raise SourceMissing(str(places[0]))
