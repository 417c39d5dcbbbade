"""One partition examined on purpose: everything says so, and nothing speaks of wiping a drive."""

from __future__ import annotations

import json
import shutil
from typing import TYPE_CHECKING

import pytest

from tests.support import images, pairs
from tests.support.images import MIB
from verify.archive.archive import open_archive
from verify.cli.options import EXIT_OF_VERDICT

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command

pytestmark = pytest.mark.tools("mkntfs", "ntfscp")

FILES = {"orders.txt": b"Eighteen volumes, half linen.\n", "binding.txt": b"Half calf.\n" * 90}
WIPING = {"en": ("wipe", "wiping"), "de": ("lösch",)}
NO_TABLE = {"en": "no partition table", "de": "keine partitionstabelle"}
"""Nobody read the drive of one partition, so nothing is said about its table."""
ONE = {"en": "one partition", "de": "eine partition"}


@pytest.fixture
def partitions(tmp_path: Path) -> tuple[Path, Path, Path]:
    """A recovery partition's image, its copy, and one that lacks files."""
    old = images.make_ntfs(tmp_path / "old.img", 4 * MIB, FILES, hidden=2048)
    lacking = images.make_ntfs(tmp_path / "lacking.img", 4 * MIB, {}, hidden=2048)
    copy = tmp_path / "copy.img"
    shutil.copyfile(old, copy)
    return old, copy, lacking


@pytest.mark.parametrize("lang", ["en", "de"])
@pytest.mark.parametrize("verdict", ["review", "stop"])
def test_check_when_one_partition_is_examined_then_no_form_of_it_speaks_of_wiping(
    partitions: tuple[Path, Path, Path],
    command: Command,
    tmp_path: Path,
    verdict: str,
    lang: str,
) -> None:
    """Screen, page, text, table and JSON; the same bytes are no more than `review`."""
    forms = [tmp_path / f"report.{name}" for name in ("html", "md", "csv", "json")]
    old, copy, lacking = partitions
    given = (old, copy if verdict == "review" else lacking, "--one-partition")
    reports = [word for form in forms for word in ("--report", form)]
    screen = command("check", *given, *reports, "--names", "--lang", lang)
    assert screen.code == EXIT_OF_VERDICT[verdict], screen.err
    texts = {form.name: form.read_text(encoding="utf-8") for form in forms} | {"": screen.out}
    for name, text in texts.items():
        english = name.endswith(("csv", "json"))
        spoken = "en" if english else lang
        shown = text.lower().replace("wipe_record", "")
        assert not [word for word in WIPING[spoken] if word in shown], name
        assert NO_TABLE[spoken] not in shown, name
        if not name.endswith("csv"):
            assert ONE[spoken] in " ".join(shown.split()), name
    document = json.loads(texts["report.json"])
    assert (document["scope"], document["verdict"]) == ("partition", verdict)
    assert document["wipe_record"] == {}
    assert document["summary"].startswith("One partition only: ")
    assert "Record of the wipe" not in texts["report.html"]


def test_jobs_when_one_partition_is_filed_then_its_record_says_so(
    partitions: tuple[Path, Path, Path], command: Command, tmp_path: Path
) -> None:
    """From manifests that were captured on purpose, without any option."""
    made = [tmp_path / name for name in ("old.manifest", "new.manifest")]
    for image, manifest in zip(partitions, made, strict=False):
        assert command("capture", image, "-o", manifest, "--one-partition").code == 0
    archive = tmp_path / "archive"
    ran = command("jobs", "add", "J-1", *made, "--archive", archive, "--json")
    assert (ran.code, ran.document["scope"]) == (1, "partition")
    assert open_archive(archive).record("J-1").scope == "partition"


@pytest.mark.tools(*pairs.TOOLS)
def test_report_when_the_drives_are_no_pair_then_it_has_no_record_of_a_wipe(
    command: Command, tmp_path: Path
) -> None:
    """A blank drive in the place of the new one; the good clone's report has the record."""
    pair = pairs.make_pair("ext4", tmp_path)
    blank = tmp_path / "blank.img"
    with blank.open("wb") as file:
        file.truncate(48 * MIB)
    for target, has_record in ((pair.target, True), (blank, False)):
        form = tmp_path / f"{target.stem}.html"
        command("check", pair.source, target, "--report", form)
        assert ("Record of the wipe" in form.read_text(encoding="utf-8")) is has_record
