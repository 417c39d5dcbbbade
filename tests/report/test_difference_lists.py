"""Lists of differences: what CSV, JSON lines and real copying tools make of hostile names."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.rules.contents.drives import Side, a_file
from tests.support.images import make_ntfs
from verify.report.difference_lists import csv_lines, json_lines, path_in_list
from verify.rules.difference_rows import difference_rows

if TYPE_CHECKING:
    from pathlib import Path

    from verify.rules.difference_rows import DifferenceRow

HOSTILE = (
    b"plain.txt",
    b"with a blank.txt",
    b" leading blank",
    b"trailing blank ",
    b"-rf",
    b"--files-from=x",
    b"#not a remark",
    b";nor this",
    b"'single' \"double\"",
    b"back\\slash",
    b"\\n is no line break",
    b"*?[a]{b}",
    b"$(id)`id`",
    b"not \xff\xfe text",
    "Größe 日本.txt".encode(),
    b"folder/-x",
)
WITH_BREAKS = (b"two\nlines", b"carriage\rreturn")


def lost(names: tuple[bytes, ...], kind: str = "ext4") -> list[DifferenceRow]:
    """Return the rows of files that the new drive lacks, as a listing of ext has their names."""
    paths = [f"/{os.fsdecode(name)}" for name in names]
    old = Side([a_file("/kept"), *(a_file(path) for path in paths)], kind=kind)
    new = Side([a_file("/kept")], kind=kind)
    return list(difference_rows(old.manifest("old"), new.manifest("new")))


def tree(root: Path, names: tuple[bytes, ...]) -> None:
    """Write files of these names, and one that nobody lists."""
    for name in (*names, b"not listed"):
        path = os.path.join(os.fsencode(root), name)  # noqa: PTH118 - names that are no text
        os.makedirs(os.path.dirname(path), exist_ok=True)  # noqa: PTH103, PTH120
        with open(path, "wb") as file:  # noqa: PTH123
            file.write(name)


def files_of(root: Path) -> set[bytes]:
    """Return the files below a folder, as the system names them."""
    top = os.fsencode(root)
    return {
        os.path.relpath(os.path.join(folder, name), top)  # noqa: PTH118
        for folder, _, names in os.walk(top)
        for name in names
    }


RSYNC = "rsync --archive --ignore-times {mark} --files-from={list} {old}/ {new}/"
TAR = (
    "tar --create --no-recursion {mark} --directory={old} --files-from={list}"
    " | tar --extract --directory={new}"
)
CPIO = "cd {old} && cpio --pass-through --quiet --make-directories {mark} {new} < {list}"
MARKS = {RSYNC: "--from0", TAR: "--null", CPIO: "--null"}


@pytest.mark.tools("rsync", "tar", "cpio")
@pytest.mark.parametrize("tool", [RSYNC, TAR, CPIO], ids=["rsync", "tar", "cpio"])
@pytest.mark.parametrize("end", [b"\0", b"\n"], ids=["nuls", "lines"])
def test_plain_list_when_a_copying_tool_takes_it_then_just_those_are_copied(
    tool: str, end: bytes, tmp_path: Path
) -> None:
    """The oracle is the tool itself: what it copied are the files that were listed."""
    by_nuls = end == b"\0"
    names: tuple[bytes, ...] = (*HOSTILE, *WITH_BREAKS) if by_nuls else HOSTILE
    if tool is TAR and not by_nuls:
        # NOTE: GNU tar takes backslashes in a list by lines for escapes ("tar", 6.4).
        names = tuple(name for name in HOSTILE if b"\\" not in name)
    old, new = tmp_path / "old", tmp_path / "new"
    tree(old, names)
    new.mkdir()
    listed = tmp_path / "list"
    listed.write_bytes(b"".join(path_in_list(row) + end for row in lost(names)))
    line = tool.format(mark=MARKS[tool] if by_nuls else "", list=listed, old=old, new=new)
    subprocess.run(["bash", "-o", "pipefail", "-c", line], check=True, cwd=tmp_path)
    assert files_of(new) == set(names)


@pytest.mark.root
@pytest.mark.tools("ntfs-3g", "mkntfs", "tar", "rsync")
def test_plain_list_when_ntfs_has_lone_surrogates_then_tools_find_them_mounted(
    tmp_path: Path,
) -> None:
    """NTFS keeps 16-bit units, of which a lone surrogate is lawful; ntfs-3g shows it as WTF-8."""
    volume = make_ntfs(tmp_path / "volume.img", 8 << 20, {})
    point, new = tmp_path / "mounted", tmp_path / "new"
    point.mkdir()
    new.mkdir()
    names = ("lone \ud83d high", "lone \udc9a low", "low as a byte \udcff", "Tür 日本")
    subprocess.run(["ntfs-3g", volume, point], check=True)
    try:
        for name in names:
            path = os.path.join(os.fsencode(point), name.encode("utf-8", "surrogatepass"))  # noqa: PTH118
            with open(path, "wb") as file:  # noqa: PTH123
                file.write(b"x")
        old = Side([a_file("/kept"), *(a_file(f"/{name}") for name in names)])
        rows = difference_rows(old.manifest("old"), Side([a_file("/kept")]).manifest("new"))
        listed = tmp_path / "list"
        listed.write_bytes(b"".join(path_in_list(row) + b"\0" for row in rows))
        line = RSYNC.format(mark="--from0", list=listed, old=point, new=new)
        subprocess.run(line.split(), check=True)
    finally:
        subprocess.run(["umount", point], check=True)
    assert files_of(new) == {name.encode("utf-8", "surrogatepass") for name in names}


def test_json_lines_when_names_are_no_text_then_they_come_back_as_they_were() -> None:
    """Any JSON reader that keeps lone surrogates gives the very name; the lines are ASCII."""
    made = lost((*HOSTILE, *WITH_BREAKS))
    lines = b"".join(json_lines(made)).splitlines()
    assert all(line.isascii() for line in lines)
    read = {os.fsencode(json.loads(line)["path"])[1:] for line in lines}
    assert read == {*HOSTILE, *WITH_BREAKS}
    assert json.loads(lines[0])["utf16"] is False


def test_csv_when_names_are_formulas_then_no_cell_begins_one() -> None:
    """A spreadsheet takes what begins with =, +, - or @ for a formula, also behind a semicolon."""
    names = (b"=1+1", b"+cmd", b"-2", b"@sum", b"a;=HYPERLINK(1)", b"two\nlines", b"\xff", b'"')
    text = b"".join(csv_lines(lost(names))).decode("utf-8")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert len(rows) == len(names)
    for row in rows:
        for cell in row.values():
            assert cell[:1] not in {"=", "+", "-", "@", "\t", "\r"}
            assert ";=" not in cell
            assert "\n" not in cell
    assert {row["path"] for row in rows} >= {r"/two\nlines", r"/\xff", '/"'}
    assert {row["source_modified"] for row in rows} == {"2023-11-14 22:13:20"}


def test_csv_when_nothing_differs_then_it_has_its_head_alone() -> None:
    """An empty list is a list: whoever reads it sees its columns."""
    assert b"".join(csv_lines([])).startswith(b"partition,source_partition,")
    assert b"".join(csv_lines([])).count(b"\r\n") == 1
