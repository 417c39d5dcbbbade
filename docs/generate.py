"""The generated part of docs/: manual, rules and structures, schemas of what is written.

python -m docs.generate           write docs/man, docs/rules, docs/structures, docs/schema
python -m docs.generate --check   exit 1 and name what is out of date
"""

from __future__ import annotations

import json
import sys
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from docs.field_table_pages import structure_pages
from docs.man_page import man_page
from verify.archive.columns import TABLES
from verify.archive.job_record import EventRecord, JobRecord, Seal
from verify.audit.spot_audit import Plan, Result
from verify.filesystem.entry import Kind
from verify.fit.fit_document import FitDocument
from verify.manifest.header import Header
from verify.report.catalogue import exclusions_text, rule_text
from verify.rules.catalogue import RULES
from verify.rules.comparison_document import Comparison

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

GENERATED_FOLDERS = ("man", "rules", "structures", "schema")

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid")


class GroupRow(_Row):
    """The rows of this partition follow, up to the next such row."""

    partition: int


class EntryRow(_Row):
    r"""One name in a partition's filesystem; what is left out has its default.

    `streams`: name, size, digest; `extents`: first cluster, count; `blocks`: index, digest;
    `extended`: name, digest. `owner`: a SID, or uid:gid; `security`: digest of a descriptor.
    `zero_blocks`: whole blocks of 4,096 bytes that are zero, of a file that has a digest;
    `zero_tail`: so is what follows the last of them.
    Bytes of a path that are no text stand as lone surrogates (`\udc80` to `\udcff`).
    """

    kind: Kind
    path: str
    node: int
    size: int = 0
    modified: int | None = None
    changed: int | None = None
    created: int | None = None
    links: int = 1
    extents: list[tuple[int, int]] = Field(default_factory=list)
    streams: list[tuple[str, int, str | None]] = Field(default_factory=list)
    attributes: int | None = None
    mode: int | None = None
    owner: str | None = None
    security: str | None = None
    short: str | None = None
    extended: list[tuple[str, str]] = Field(default_factory=list)
    reparse: str | None = None
    reparse_digest: str | None = None
    target: str | None = None
    digest: str | None = None
    blocks: list[tuple[int, str]] = Field(default_factory=list)
    unhashed: str | None = None
    boot: Literal[True] | None = None
    placed: Literal[True] | None = None
    zero_blocks: int = 0
    zero_tail: Literal[True] | None = None


class BlockRow(_Row):
    """One block of a partition that is compared as raw bytes; no digest: it was unreadable."""

    block: int
    digest: str | None


class SegmentHead(_Row):
    """What the rows of a segment have in common with a clone's, and what they count for.

    `alike`: BLAKE3 of the rows without the numbers of their nodes and the places of their clusters,
    then of how many clusters each long file has. `sizes`: bytes of each file that is drawn whole;
    `nodes`: of files with several names.
    """

    alike: str
    counts: dict[str, int]
    sizes: list[int]
    nodes: list[int]


class SegmentRow(_Row):
    """A segment of a listing begins; no head: it is compared row by row."""

    piece: SegmentHead | None


class Trailer(_Row):
    """How many lines stand before it, and the BLAKE3 of them."""

    rows: int
    blake3: str


class TrailerRow(_Row):
    """The last row."""

    trailer: Trailer


_OF_JOBS: dict[str, type[BaseModel]] = {
    "job": JobRecord,
    "job-event": EventRecord,
    "seal": Seal,
    "audit-plan": Plan,
    "audit-result": Result,
}
"""Documents of an archive and of an audit."""

AnyRow = GroupRow | SegmentRow | EntryRow | BlockRow | TrailerRow


def generated() -> dict[str, str]:
    """Return every generated page: its path under docs/, and its text."""
    pages = {f"rules/{rule.slug}.md": rule_text(rule) for rule in RULES}
    pages["rules/README.md"] = _index()
    pages["rules/exclusions.md"] = exclusions_text()
    pages["schema/parquet.md"] = _tables()
    pages["man/drivewitness.1"] = man_page(Path(__file__).parent.parent / "README.md")
    pages |= {f"structures/{name}.md": text for name, text in structure_pages().items()}
    for name, schema in (
        ("manifest-header", Header.model_json_schema(by_alias=True)),
        ("manifest-row", TypeAdapter(AnyRow).json_schema()),
        ("comparison", Comparison.model_json_schema(by_alias=True)),
        ("fit", FitDocument.model_json_schema(by_alias=True)),
        *((name, model.model_json_schema(by_alias=True)) for name, model in _OF_JOBS.items()),
    ):
        document = {"$schema": _DIALECT, **schema}
        pages[f"schema/{name}.json"] = json.dumps(document, indent=2, sort_keys=True) + "\n"
    return pages


def _tables() -> str:
    lines = [
        "# Tables of `jobs export --parquet`",
        "",
        "Three files; every column may be null but `job` and `filed`. Units and meanings stand in",
        "the files as well, in the metadata of their fields.",
    ]
    for name, columns in TABLES.items():
        lines += [
            "",
            f"## {name}.parquet",
            "",
            "| column | type | unit | meaning |",
            "|---|---|---|---|",
        ]
        for column in columns:
            unit = column.unit or ""
            lines.append(f"| `{column.name}` | {column.type} | {unit} | {column.meaning} |")
    return "\n".join(lines) + "\n"


def _index() -> str:
    lines = [
        "# Rules",
        "",
        "What is judged, by area; **R** marks what the verdict `sound` needs.",
    ]
    for area, members in groupby(RULES, key=lambda rule: rule.area):
        lines += ["", f"## {area.value.capitalize()}", ""]
        for rule in members:
            needed = " **R**" if rule.required else ""
            lines.append(f"- [{rule.slug}]({rule.slug}.md){needed}: {rule.summary}")
    lines += ["", "What a good clone may lack or hold otherwise: [exclusions](exclusions.md)."]
    return "\n".join(lines) + "\n"


def out_of_date(docs: Path) -> list[str]:
    """Return what differs between docs/ and what would be generated, leftovers included."""
    pages = generated()
    return sorted(
        {path for path, text in pages.items() if _text(docs / path) != text}
        | {path for path in _present(docs) if path not in pages}
    )


def _text(path: Path) -> str | None:
    return path.read_text(encoding="utf-8") if path.is_file() else None


def _present(docs: Path) -> Iterator[str]:
    for folder in GENERATED_FOLDERS:
        for path in (docs / folder).glob("*"):
            yield path.relative_to(docs).as_posix()


def write(docs: Path) -> None:
    """Bring docs/ up to date; a page whose rule is gone goes too."""
    pages = generated()
    for path in list(_present(docs)):
        if path not in pages:
            (docs / path).unlink()
    for path, text in pages.items():
        (docs / path).parent.mkdir(parents=True, exist_ok=True)
        (docs / path).write_text(text, encoding="utf-8", newline="\n")


def main(arguments: Sequence[str]) -> int:
    """Write docs/ of the current folder, or check it."""
    docs = Path("docs")
    if list(arguments) != ["--check"]:
        write(docs)
        return 0
    stale = out_of_date(docs)
    for path in stale:
        sys.stderr.write(f"docs/{path}: out of date; run `python -m docs.generate`\n")
    return 1 if stale else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
