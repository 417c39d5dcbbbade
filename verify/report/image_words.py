"""An image file in words: its kind, its files, what of it was verified."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.text.message import Message, counted, joined, say

if TYPE_CHECKING:
    from verify.source.images.facts import ImageFacts

_KINDS = {
    "split": say("split raw image"),
    "vhd": say("VHD image"),
    "vhdx": say("VHDX image"),
    "vmdk": say("VMDK image"),
    "e01": say("E01 image"),
}


def image_words(image: ImageFacts) -> Message:
    """Return its kind, its form and how many files it has."""
    files = counted("{count} file", "{count} files", len(image.files))
    return joined((_KINDS[image.kind], image.form, files))


def verified_words(image: ImageFacts) -> Message:
    """Return what was held against the container's own checksums and limits."""
    return joined(image.verified, "; ")


def notes_words(image: ImageFacts) -> Message:
    """Return what a person should know of it, and the digests that it carries."""
    hashes = [
        say(
            "It stores the {algorithm} {digest} of the whole drive, which was not computed again.",
            algorithm=item.algorithm.upper(),
            digest=item.digest,
        )
        for item in image.hashes
    ]
    return joined((*image.notes, *hashes), " ")
