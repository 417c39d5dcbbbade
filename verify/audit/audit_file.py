"""Plans and results of audits as files, read back as what they are or refused."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from pydantic import ValidationError

from verify.audit.spot_audit import Plan, Result
from verify.errors import AuditForeign, SourceForbidden, SourceMissing
from verify.text.message import say
from verify.text.system_words import system_words
from verify.text.validation import not_valid
from verify.whole_file import whole_file

if TYPE_CHECKING:
    from pathlib import Path

_Document = TypeVar("_Document", Plan, Result)

_LONGEST_BYTES = 256 << 20


def write_document(path: Path, document: Plan | Result) -> None:
    """Write a plan or a result.

    Raises:
        OutputError: it could not be written; nothing new stands under `path` then.
    """
    with whole_file(path) as file:
        file.write(document.model_dump_json(by_alias=True, indent=2).encode() + b"\n")


def read_document(path: Path, model: type[_Document]) -> _Document:
    """Read a plan or a result.

    Raises:
        SourceMissing, SourceForbidden: it is not there, or cannot be read.
        AuditForeign: it is no such document.
    """
    name = str(path)
    try:
        with path.open("rb") as file:
            document = model.model_validate_json(file.read(_LONGEST_BYTES))
    except FileNotFoundError as error:
        raise SourceMissing(name) from error
    except PermissionError as error:
        raise SourceForbidden(name) from error
    except OSError as error:
        raise AuditForeign(name, system_words(error)) from error
    except ValidationError as error:
        raise AuditForeign(name, not_valid(error)) from error
    wanted = model.model_fields["schema_"].default
    if document.schema_ != wanted:
        raise AuditForeign(name, say("its schema is not {schema}", schema=wanted))
    return document
