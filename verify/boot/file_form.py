"""Whether a file is whole by its own format, as plain data for the manifest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from verify.text.field import Text

Form = Literal["hive", "program", "image", "xml", "text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FileForm:
    """What the format of one file says of it.

    `form`: its format, `None` where it does not have the one that its name promises and need not
    have it (a 16-bit loader stub). `faults`: what its format says is wrong, a sentence's end each.
    `dirty`: a registry hive whose two sequence numbers differ; `logged`: and a transaction log
    beside it holds something. `machine` of a program, as `LoaderImage` has it; `boot_index` of an
    image. `unread`: why it was not looked at.
    """

    path: str
    form: Form | None = None
    size_bytes: int = 0
    faults: tuple[Text, ...] = ()
    dirty: bool = False
    logged: bool = False
    machine: str | None = None
    boot_index: int | None = None
    unread: Text | None = None
