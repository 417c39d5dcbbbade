"""Seals: what is computed over a job, and the shop's key.

A seal without a key proves that nothing changed by accident, or by somebody who did not make all
later seals again. A keyed one proves it against everybody who lacks the key. docs/jobs.md says
what neither proves.
"""

from __future__ import annotations

import json
import os
import secrets
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from blake3 import blake3

from verify.archive.job_record import Seal, SealedFile
from verify.errors import KeyUnusable, OutputError
from verify.platforms.this import PLATFORM
from verify.text.message import say
from verify.text.system_words import system_words
from verify.whole_file import make_folder, private_file

if TYPE_CHECKING:
    from pathlib import Path

SEAL_NAME = "seal.json"
KEY_BYTES = 32
"""A BLAKE3 key: BLAKE3 specification, section 2.3 (keyed mode takes 256 bits)."""

_FINGERPRINT_CONTEXT = "drivewitness 2025-11 fingerprint of a seal key"
_FINGERPRINT_CHARACTERS = 16
_FIRST_STEP_BYTES, _STEP_BYTES = 16 << 10, 1 << 20


@dataclass(frozen=True, slots=True)
class Key:
    """The shop's key; its fingerprint may be shown, the key itself never is."""

    secret: bytes

    @property
    def fingerprint(self) -> str:
        """What names the key without telling it."""
        digest = blake3(self.secret, derive_key_context=_FINGERPRINT_CONTEXT).hexdigest()
        return digest[:_FINGERPRINT_CHARACTERS]

    def __repr__(self) -> str:
        return f"Key({self.fingerprint})"


class Before(NamedTuple):
    """What a seal tells of the one before it."""

    number: int
    entry: str
    seal: str


def seal_value(seal: Seal, key: Key | None) -> str:
    """Return what the seal of these fields is under that key, whatever `seal.seal` says."""
    told = seal.model_dump(mode="json", by_alias=True, exclude={"seal"})
    text = json.dumps(told, sort_keys=True, separators=(",", ":"), ensure_ascii=True).encode()
    return (blake3(text) if key is None else blake3(text, key=key.secret)).hexdigest()


def make_seal(folder: Path, entry: str, previous: Before | None, key: Key | None) -> Seal:
    """Return the seal of a folder's files, which follows `previous`."""
    names = sorted(path.name for path in folder.iterdir() if path.name != SEAL_NAME)
    unsealed = Seal(
        number=previous.number + 1 if previous else 1,
        entry=entry,
        previous=previous.seal if previous else None,
        previous_entry=previous.entry if previous else None,
        key=key.fingerprint if key else None,
        files={name: sealed_file(folder / name) for name in names},
    )
    return unsealed.model_copy(update={"seal": seal_value(unsealed, key)})


def sealed_file(path: str | Path) -> SealedFile:
    """Return length and digest of a file as it lies there.

    Raises:
        OSError: it cannot be read.
    """
    hasher, length = blake3(), 0
    with open(path, "rb") as file:  # noqa: PTH123 - one of a hundred thousand, as in read_entry
        part = file.read(_FIRST_STEP_BYTES)
        while part:
            hasher.update(part)
            length += len(part)
            part = file.read(_STEP_BYTES)
    return SealedFile(bytes=length, blake3=hasher.hexdigest())


def make_key(path: Path) -> Key:
    """Make a key and write it to a new file that only its owner may read.

    Raises:
        OutputError: the file is there already, or cannot be written.
    """
    key = Key(secrets.token_bytes(KEY_BYTES))
    try:
        make_folder(path.parent)
        handle = private_file(path, new=True)
        with os.fdopen(handle, "wb") as file:
            file.write(key.secret.hex().encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
        PLATFORM.sync_folder(path.parent)
    except FileExistsError as error:
        raise OutputError(
            str(path), say("a key already exists there and is never replaced")
        ) from error
    except OSError as error:
        raise OutputError(str(path), system_words(error)) from error
    return key


def read_key(path: Path) -> Key:
    """Return the key in a file.

    Raises:
        KeyUnusable: it is not there, holds no key, or others may read it.
    """
    try:
        with path.open("rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            text = file.read(2 * KEY_BYTES + 2)
        shared = PLATFORM.others_may_use(path, mode)
        secret = bytes.fromhex(text.decode("ascii").strip())
    except OSError as error:
        raise KeyUnusable(str(path), system_words(error)) from error
    except ValueError as error:
        raise KeyUnusable(str(path), say("it holds no key")) from error
    if len(secret) != KEY_BYTES:
        raise KeyUnusable(str(path), say("it holds no key"))
    if shared:
        raise KeyUnusable(str(path), say("users other than its owner may read it"))
    return Key(secret)
