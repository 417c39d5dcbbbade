"""The pages of on-disk structures say what the field tables say."""

from __future__ import annotations

import re

from docs.field_table_pages import structure_pages
from tests.conftest import REPOSITORY

LINK = re.compile(r"\]\(\.\./([\w./-]+)\)")


def test_structures_when_printed_then_the_gpt_header_is_the_standard_s() -> None:
    """UEFI 2.10, table 5.5: offsets, lengths and names of the GPT header, typed in from there."""
    table = structure_pages()["gpt"].split("## GPT header")[1].split("\n## ")[0]
    rows = [[cell.strip(" `") for cell in line.split("|")[1:4]] for line in table.splitlines()]
    assert [row for row in rows if len(row) == 3 and row[0].isdigit()] == [
        ["0", "8", "Signature"],
        ["8", "4", "Revision"],
        ["12", "4", "HeaderSize"],
        ["16", "4", "HeaderCRC32"],
        ["20", "4", "Reserved"],
        ["24", "8", "MyLBA"],
        ["32", "8", "AlternateLBA"],
        ["40", "8", "FirstUsableLBA"],
        ["48", "8", "LastUsableLBA"],
        ["56", "16", "DiskGUID"],
        ["72", "8", "PartitionEntryLBA"],
        ["80", "4", "NumberOfPartitionEntries"],
        ["84", "4", "SizeOfPartitionEntry"],
        ["88", "4", "PartitionEntryArrayCRC32"],
    ]


def test_structures_when_printed_then_every_table_names_its_source() -> None:
    """No field table is without a source."""
    for page in structure_pages().values():
        for table in page.split("\n## ")[1:]:
            source = table.split("Source: ")[1].splitlines()[0]
            assert len(source) > len("x.")


def test_structures_when_a_format_has_a_page_then_each_links_to_the_other() -> None:
    """From what is checked to where it lies, and back."""
    docs = REPOSITORY / "docs"
    for name, page in structure_pages().items():
        said = LINK.findall(page)[0]
        assert (docs / said).exists()
        if said.startswith("formats/"):
            assert f"structures/{name}.md" in LINK.findall((docs / said).read_text("utf-8"))
    back = {
        link
        for page in (docs / "formats").glob("*.md")
        for link in LINK.findall(page.read_text("utf-8"))
    }
    assert {f"structures/{name}.md" for name in structure_pages()} - back == {
        "structures/efi.md",
        "structures/gpt.md",
        "structures/mbr.md",
    }
