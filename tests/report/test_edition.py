"""No name of a file leaves the shop, in no format, unless it is asked for."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING

import pytest

from tests.report.documents import NEW, OLD, comparison, finding
from verify.manifest.model import UnreadItem
from verify.report.edition import Edition, names_of
from verify.report.formats import rendered
from verify.report.handover import build_handover

if TYPE_CHECKING:
    from verify.rules.result import Comparison

NAMES = (
    "/Users/mira/Pictures/harbour at dusk.jpg",
    "/home/tomas/letters/to-the-bank.odt",
    "/Users/mira/AppData/Local/x y/(draft), final.docx",
    "/Users/mira/budget+2025[1].xlsx",
)
FORMATS = (".html", ".json", ".md", ".csv")


def telling(names: tuple[str, ...] = NAMES) -> Comparison:
    """Return a comparison that tells names wherever a rule could put one."""
    rows = tuple(
        finding(
            path=name,
            message=f"The file {name} and {name.split('/')[-1]} are gone.",
            values=(name, name.replace("/", "\\")),
        )
        for name in names
    )
    unread = (UnreadItem(what=f"the folder {names[0]}", reason=f"{names[1]}: damaged"),)
    old = OLD.model_copy(update={"unread": unread})
    document = comparison(findings=rows, sides=(old, NEW))
    outcome = document.outcomes[2].model_copy(update={"reason": f"not all of {names[0]} was read"})
    return document.model_copy(update={"outcomes": (outcome,)})


def shown(document: Comparison, edition: Edition, ending: str) -> str:
    """Return a report as text."""
    return rendered(build_handover(document, edition), ending, "a4").decode("utf-8")


@pytest.mark.parametrize("ending", FORMATS)
def test_customers_edition_when_written_then_no_name_is_in_it(ending: str) -> None:
    """Neither a path, nor a name, nor a folder of its own; the edition is named in the file."""
    text = shown(telling(), Edition.CUSTOMER, ending)
    for part in ("harbour", "dusk", "to-the-bank", "tomas", "mira", "final.docx", "budget"):
        assert part not in text
    assert "customer" in text.lower()


@pytest.mark.parametrize("ending", FORMATS)
def test_shops_edition_when_written_then_the_names_are_in_it(ending: str) -> None:
    """Asked for with `--names`; the edition is named in the file."""
    text = shown(telling(), Edition.SHOP, ending)
    for part in ("harbour at dusk.jpg", "to-the-bank.odt"):
        assert part in text
    assert "shop" in text.lower()


def test_digests_when_both_editions_are_made_then_they_are_the_same() -> None:
    """So the shop finds the name that a customer's report means."""
    one, other = (
        [row["path_digest"] for row in json.loads(shown(telling(), edition, ".json"))["findings"]]
        for edition in Edition
    )
    assert one == other
    assert len(set(one)) == len(NAMES)


def test_digests_when_jobs_differ_then_one_name_has_another() -> None:
    """A salt of each job's own: nobody links two reports by a name in both."""
    one, other = (
        names_of(telling(names), Edition.CUSTOMER).reference(NAMES[0])
        for names in (NAMES, NAMES[:2])
    )
    assert one != other


def test_text_when_it_holds_no_name_then_it_stays() -> None:
    """Dates, shares, identifiers and marked sizes are no paths."""
    names = names_of(telling(), Edition.CUSTOMER)
    for text in (
        "At 5/6 of 12 files, read and/or write, 2026-11-25, lost 1.5 GB/s.",
        "GPT/MBR differ: EBD0A0A2-B9E5-4433-87C0-68B6B72699C7",
        "not clean (dirty, log-emptied)",
    ):
        assert names.text(text) == text


@pytest.mark.parametrize(
    "path",
    [
        "/Boot/BCD",
        r"\Windows\System32\winload.efi",
        r"C:\Users\mira\a.txt",
        "/tax.ods",
        r"mira\tax",
        r"..\tax.ods",
        "mira/tax.ods",
        "../mira/letters/tax",
        "home/mira/letters",
    ],
)
def test_text_when_it_holds_a_path_of_no_finding_then_that_goes_too(path: str) -> None:
    """What looks like a path is taken for one."""
    told = names_of(telling(), Edition.CUSTOMER).text(f"The store {path} names nothing.")
    assert path not in told
    assert path.replace("\\", "/").split("/")[-1] not in told
    assert told.startswith("The store <name ")
    assert told.endswith("> names nothing.")


@pytest.mark.parametrize("piece", ["-", "a/", ":a/b", "(", "a.", "/.", "\\", "a:/", "x", "/a.b,"])
def test_text_when_it_is_long_and_odd_then_the_search_ends_soon(piece: str) -> None:
    """No text of a drive makes a report slow: a second is far more than it takes."""
    names = names_of(telling(), Edition.CUSTOMER)
    began = time.process_time()
    names.text(piece * (30_000 // len(piece)))
    assert time.process_time() - began < 1


def test_images_when_named_then_the_folders_of_the_shop_stay_in_it() -> None:
    """A path such as `/jobs/<another customer>/old.img` tells more than the drive's name."""
    drive = OLD.drive.model_copy(update={"path": "/jobs/Ferris & Sons/old.img"})
    document = comparison(sides=(OLD.model_copy(update={"drive": drive}), NEW))
    assert "Ferris" not in shown(document, Edition.CUSTOMER, ".json")
    assert "Ferris" in shown(document, Edition.SHOP, ".json")
