"""One file of an image, open for reading, and what an image gives back of its drive."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from verify.errors import ImageRefused, SourceForbidden, SourceMissing, SourceVanished
from verify.platforms.this import PLATFORM
from verify.source.images.facts import ImageFacts, StoredFile
from verify.text.message import say
from verify.text.system_words import system_words

CHECK_COPY = say("Copy the image again from where it was made, and check that copy.")


class ImageDamage(Exception):
    """Bytes of the drive that the image does not give back: the stretch is unreadable."""


@dataclass(slots=True)
class ImageFile:
    """A file that is open for reading; `path` as it was given or found, lengths in bytes."""

    path: str
    descriptor: int
    size_bytes: int
    status: os.stat_result

    @classmethod
    def opened(cls, path: str) -> ImageFile:
        """Open a further file of an image.

        Raises:
            SourceMissing, SourceForbidden, SourceVanished: it cannot be opened.
        """
        try:
            if not Path(path).is_file():
                raise SourceMissing(path)
            descriptor = PLATFORM.open_to_read(path)
        except PermissionError as error:
            raise SourceForbidden(path) from error
        except OSError as error:
            raise SourceVanished(path, error.strerror or str(error)) from error
        try:
            return cls(path, descriptor, PLATFORM.size_bytes(descriptor), os.fstat(descriptor))
        except BaseException:
            os.close(descriptor)
            raise

    @property
    def file_id(self) -> str:
        """Which file of this machine it is, whatever it is called."""
        return f"file:{self.status.st_dev}:{self.status.st_ino}"

    @property
    def name(self) -> str:
        """Its own name, without folders."""
        return Path(self.path).name

    @property
    def stored(self) -> StoredFile:
        """What is recorded of it."""
        return StoredFile(name=self.name, size_bytes=self.size_bytes)

    def read(self, offset: int, length: int) -> bytes:
        """Return exactly these bytes.

        Raises:
            SourceVanished: it is shorter than it was.
            OSError: the system cannot read them.
        """
        parts: list[bytes] = []
        missing = length
        while missing:
            data = PLATFORM.read_at(self.descriptor, missing, offset + length - missing)
            if not data:
                raise SourceVanished(
                    self.path, say("it ends at byte {end}", end=offset + length - missing)
                )
            parts.append(data)
            missing -= len(data)
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def close(self) -> None:
        """Let go of it."""
        if self.descriptor >= 0:
            os.close(self.descriptor)
            self.descriptor = -1


@dataclass(slots=True, kw_only=True)
class Image:
    """A drive inside of image files, `files`; the first is the one that was given.

    `sector_bytes`, `physical_sector_bytes`: what the container records, else `None`.
    """

    files: list[ImageFile]
    facts: ImageFacts
    sector_bytes: int | None = None
    physical_sector_bytes: int | None = None

    def read(self, offset: int, length: int) -> bytes:
        """Return exactly these bytes of the drive; the range lies inside of it.

        Raises:
            ImageDamage: some of them are lost.
            SourceVanished: a file is gone or shorter than it was.
        """
        raise NotImplementedError

    def close(self) -> None:
        """Let go of the files."""
        for file in self.files:
            file.close()


@dataclass(frozen=True, slots=True)
class Refusing:
    """Refuses one image, with what it is: "a VHDX"."""

    path: str
    kind: str

    def because(self, reason: str, advice: str = CHECK_COPY) -> ImageRefused:
        """Return the error to raise."""
        return ImageRefused(self.path, self.kind, reason, advice)

    def read(self, file: ImageFile, offset: int, length: int, what: str) -> bytes:
        """Return bytes of a structure that has to lie inside the file.

        Raises:
            ImageRefused: it does not, or cannot be read.
        """
        if offset < 0 or length < 0 or offset + length > file.size_bytes:
            raise self.because(
                say(
                    "{what} lies beyond the end of {file}: it was cut short",
                    what=what,
                    file=file.name,
                )
            )
        try:
            return file.read(offset, length)
        except OSError as error:
            raise self.because(
                say("{what} cannot be read: {reason}", what=what, reason=system_words(error))
            ) from error
