"""Images made by the filesystems' own tools, and what other programs say of them."""

from __future__ import annotations

import re
import subprocess
from typing import TYPE_CHECKING

from tests.support.drives import file_window
from verify.filesystem.recognise import recognise

if TYPE_CHECKING:
    from pathlib import Path

    from verify.filesystem.description import Filesystem


def run(*command: str | Path, answer: str = "") -> str:
    """Run a program in the C locale and return its output; a failure fails the test."""
    done = subprocess.run(
        [str(word) for word in command],
        input=answer,
        capture_output=True,
        text=True,
        check=True,
        env={"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C.UTF-8", "TZ": "UTC"},
    )
    return done.stdout + done.stderr


def make(folder: Path, size: str, *command: str | Path) -> Path:
    """Make an empty image of a size (`64M`) and let a program fill it; its name comes last."""
    image = folder / "volume.img"
    run("truncate", "-s", size, image)
    run(*command, image)
    return image


def described(image: Path, **options: str) -> Filesystem:
    """Recognise a whole image."""
    return recognise(file_window(image), **options)


def patch(image: Path, offset: int, data: bytes) -> None:
    """Overwrite bytes of an image."""
    with image.open("r+b") as file:
        file.seek(offset)
        file.write(data)


def blkid(image: Path) -> dict[str, str]:
    """What libblkid reads from the image: TYPE, UUID, LABEL and more."""
    lines = run("blkid", "-p", "-o", "export", image).splitlines()
    return dict(line.split("=", 1) for line in lines if "=" in line)


def number(pattern: str, text: str) -> int:
    """The number that a pattern's group finds in a program's output."""
    found = re.search(pattern, text)
    assert found, f"{pattern!r} is not in {text!r}"
    return int(found[1].replace(",", ""))
