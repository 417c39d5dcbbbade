"""No name of a file leaves the shop, in no format, unless it is asked for."""

from __future__ import annotations

import io
import json
import sys
import time
from dataclasses import asdict
from typing import TYPE_CHECKING

import html5lib
import pytest
from pypdf import PdfReader

from tests.report.documents import NEW, OLD, comparison, finding
from tests.rules.cases import case_of, drive, findings, usual
from verify.manifest.header import Owner, SectorRange, UnreadItem
from verify.report.edition import Edition, names_of
from verify.report.formats import TEXT_ENDINGS, rendered
from verify.report.handover import build_handover
from verify.rules.catalogue import RULES
from verify.rules.comparison_document import FindingRow
from verify.rules.full_check import full_check
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.rules.comparison_document import Comparison

NAMES = (
    "/Users/mira/Pictures/harbour at dusk.jpg",
    "/home/tomas/letters/to-the-bank.odt",
    "/Users/mira/AppData/Local/x y/(draft), final.docx",
    "/Users/mira/budget+2025[1].xlsx",
)


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


@pytest.mark.parametrize("ending", TEXT_ENDINGS)
def test_customers_edition_when_written_then_no_name_is_in_it(ending: str) -> None:
    """Neither a path, nor a name, nor a folder of its own; the edition is named in the file."""
    text = shown(telling(), Edition.CUSTOMER, ending)
    for part in ("harbour", "dusk", "to-the-bank", "tomas", "mira", "final.docx", "budget"):
        assert part not in text
    assert "customer" in text.lower()


@pytest.mark.parametrize("ending", TEXT_ENDINGS)
def test_shops_edition_when_written_then_the_names_are_in_it(ending: str) -> None:
    """Asked for with `--names`; the edition is named in the file."""
    text = shown(telling(), Edition.SHOP, ending)
    for part in ("harbour at dusk.jpg", "to-the-bank.odt"):
        assert part in text
    assert "shop" in text.lower()


LOST = tuple(f"/harbour plans/sheet {number} of the quay.dwg" for number in range(3))
"""Names with spaces outside any user's folder: in a sentence nobody could tell where they end."""


@pytest.mark.parametrize("ending", TEXT_ENDINGS)
def test_examples_when_a_finding_is_about_many_files_then_the_shops_edition_alone_has_them(
    ending: str,
) -> None:
    """Three names below the sentence; the customer reads the sentence, and no command."""
    row = finding(path="/harbour plans", message="7 files under this folder are missing.")
    row = row.model_copy(update={"examples": LOST})
    document = comparison(findings=(row,), sides=(OLD, NEW))
    shop, customer = (
        shown(document, edition, ending) for edition in (Edition.SHOP, Edition.CUSTOMER)
    )
    assert all(name.rsplit("/", 1)[1] in shop for name in LOST)
    for part in ("harbour", "quay", "sheet", "--differences"):
        assert part not in customer


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
        r"C:\Games\mira\a.txt",
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


def test_text_when_it_is_under_a_users_folder_then_spaces_do_not_end_the_name() -> None:
    """Nobody can tell where such a name ends but at the end of the clause."""
    names = names_of(telling(), Edition.CUSTOMER)
    for path in ("/users/Tomas Q/old tax/list 3", r"C:\Users\Tomas Q\old tax", "/home/tq/old tax"):
        told = names.text(f"The hive {path}: damaged; two more.")
        assert told.startswith("The hive <name ")
        assert told.endswith(">: damaged; two more.")
        assert "tax" not in told
        assert "Tomas" not in told


HIDDEN = "zephyrine"
"""A word that stands in every name of the drives below, and nowhere else."""


def secretive() -> Comparison:
    """Return a comparison of drives that failed, judged for real: names wherever one can get to."""
    folder, file = f"/data of {HIDDEN}, 2025/the {HIDDEN} box", f"{HIDDEN}: a letter; to (her).odt"
    owners = tuple(
        Owner(partition=1, start_lba=4096 + place, sectors=1, what=what, name=name)
        for place, (what, name) in enumerate(
            (
                ("folder", folder),
                ("folder", f"/{HIDDEN}"),
                ("file", f"{folder}/{file}"),
                ("stream", f"{folder}/{file}:{HIDDEN} stream"),
                ("link", f"/to {HIDDEN}"),
            )
        )
    )
    unread = (
        UnreadItem(what="listing", reason=f"{folder}: a name: cannot be read", partition=1),
        UnreadItem(what="listing", reason=f"{folder}/{file}: gave 3 of 5 bytes", partition=1),
        UnreadItem(what="contents", reason=f"the reader: /x {HIDDEN} y", partition=1),
    )
    sides = []
    for side in (drive(usual()), drive(usual())):
        info = side.drive.model_copy(
            update={
                "path": f"/jobs/F and {HIDDEN} and sons/drive.img",
                "kind": "image",
                "mounted": (f"/media/her {HIDDEN} disk",),
                "mounted_writable": True,
            }
        )
        read = side.capture.model_copy(
            update={
                "host": HIDDEN,
                "seed": HIDDEN,
                "owners": owners,
                "unreadable": (SectorRange(start_lba=4096, sectors=8),),
            }
        )
        sides.append(side.model_copy(update={"drive": info, "capture": read, "unread": unread}))
    old, new = sides
    case = case_of(old, new)
    found = [row for rule in RULES for row in findings(rule, case)]
    assert HIDDEN in " ".join(f"{row.message} {row.path}" for row in found)
    rows = tuple(FindingRow.model_validate(asdict(row)) for row in found)
    places = (
        f"the hive {folder.upper()}",
        old.drive.path,
        *old.drive.mounted,
        f"C:\\{folder}\\{HIDDEN}.txt".replace("/", "\\"),
    )
    reasons = "; ".join([*(item.reason for item in unread), *places])
    document = comparison(findings=rows, sides=(old, new))
    outcome = document.outcomes[2].model_copy(update={"reason": reasons})
    return document.model_copy(update={"outcomes": (outcome,), "summary": reasons})


@pytest.mark.parametrize("ending", [*TEXT_ENDINGS, ".pdf"])
def test_customers_edition_when_every_place_holds_a_name_then_none_gets_out(ending: str) -> None:
    """Owners of lost sectors, reasons, mount points, folders of the shop, the host, the key.

    Of PDF its text, its outline and its properties, as pypdf reads them.
    """
    made = rendered(build_handover(secretive(), Edition.CUSTOMER), ending, "a4")
    shops = rendered(build_handover(secretive(), Edition.SHOP), ending, "a4")
    if ending == ".pdf":
        assert HIDDEN not in pdf_words(made).lower()
        assert HIDDEN in pdf_words(shops)
    else:
        assert HIDDEN.encode() not in made.lower()
        assert HIDDEN.encode() in shops


def pdf_words(made: bytes) -> str:
    """Return all that a PDF says, on its pages and beside them."""
    read = PdfReader(io.BytesIO(made))
    objects = [str(read.get_object(number)) for number in (*read.xref[0], *read.xref_objStm)]
    assert any("/Alt" in item for item in objects)
    pages = [page.extract_text() for page in read.pages]
    return " ".join([*pages, *objects, str(read.metadata)])


def test_digests_when_the_salt_is_drawn_then_they_follow_from_it_alone() -> None:
    """The same pair judged again has the same ones; another capture of it has others."""

    def digest(salt: str | None, verdict: str = "stop") -> str | None:
        capture = OLD.capture.model_copy(update={"name_salt": salt})
        sides = OLD.model_copy(update={"capture": capture}), NEW
        return names_of(comparison(verdict, sides=sides), Edition.SHOP).reference("/a.txt")

    assert digest("00" * 16) == digest("00" * 16, "sound")
    assert digest("00" * 16) != digest("01" * 16)
    assert digest(None) != digest(None, "sound")


@pytest.mark.parametrize("ending", TEXT_ENDINGS)
@pytest.mark.parametrize("edition", list(Edition))
def test_salt_when_a_report_is_written_then_it_is_in_none(ending: str, edition: Edition) -> None:
    """Who has it can try guesses; what keeps it is the comparison, in the shop."""
    capture = OLD.capture.model_copy(update={"name_salt": "5a17" * 8})
    document = comparison(sides=(OLD.model_copy(update={"capture": capture}), NEW))
    assert "5a17" * 8 not in shown(document, edition, ending)


@pytest.mark.parametrize(
    "piece", ["-", "/home/a ", "a/", ":a/b", "(", "a.", "/.", "\\", "a:/", "x", "/a.b,"]
)
def test_text_when_it_is_long_and_odd_then_the_search_ends_soon(piece: str) -> None:
    """No text of a drive makes a report slow: a second is far more than it takes."""
    names = names_of(telling(), Edition.CUSTOMER)
    began = time.process_time()
    names.text(piece * (30_000 // len(piece)))
    assert time.process_time() - began < 1


def test_images_when_named_then_the_folders_of_the_shop_stay_in_it() -> None:
    """A path such as `/jobs/<another customer>/old.img` tells more than the drive's name."""
    image = {"kind": "image", "path": "/jobs/Ferris & Sons/old.img"}
    drive = OLD.drive.model_copy(update=image)
    document = comparison(sides=(OLD.model_copy(update={"drive": drive}), NEW))
    assert "Ferris" not in shown(document, Edition.CUSTOMER, ".json")
    assert "Ferris" in shown(document, Edition.SHOP, ".json")


WIPED = "Serial number, read again"
FACTS = {
    "model": ("Pebblestone PS-500", "Marlstone 7"),
    "serial": ("PS0012345", "ML-77-0409"),
    "size": ("500.11 GB (465.76 GiB)", "480.10 GB (447.13 GiB)"),
}
"""Each drive's own; sizes by arithmetic: 500,107,862,016 and 480,103,981,056 bytes."""


@pytest.mark.parametrize("edition", Edition)
def test_page_when_written_then_each_drive_stands_on_its_own_side(edition: Edition) -> None:
    """Old left, new right, and the old one's serial number in the record of the wipe."""
    page = html5lib.parse(shown(telling(), edition, ".html"), namespaceHTMLElements=False)
    rows = [["".join(cell.itertext()) for cell in row.iter("td")] for row in page.iter("tr")]
    told = {row[0]: tuple(row[1:3]) for row in rows if row and row[0] in FACTS}
    assert told == FACTS
    remarks = {row[0]: row[2] for row in rows if row and row[0] in {"Model", WIPED}}
    assert remarks[WIPED].endswith(": PS0012345")
    assert remarks["Model"].endswith(": Pebblestone PS-500")


@pytest.mark.parametrize("edition", Edition)
def test_documents_when_written_then_each_drive_stands_on_its_own_side(edition: Edition) -> None:
    """As fields of JSON, and in Markdown's table."""
    document = json.loads(shown(telling(), edition, ".json"))
    for side, known in (("source", OLD.drive), ("target", NEW.drive)):
        told = document[side]
        assert (told["model"], told["serial"]) == (known.model, known.serial)
        assert told["size_bytes"] == known.size_bytes
    markdown = shown(telling(), edition, ".md").replace("\\", "")
    for word, (old, new) in FACTS.items():
        row = next(line for line in markdown.splitlines() if line.startswith(f"| {word} |"))
        assert row.split(" | ")[1:] == [old, f"{new} |"]


@pytest.mark.parametrize("edition", Edition)
def test_answer_when_an_edition_is_made_then_it_names_the_old_drive(edition: Edition) -> None:
    """What the screen says last is said of no other drive."""
    answer = build_handover(telling(), edition).report.answer
    assert "serial number PS0012345" in answer.facts
    assert not {"serial number ML-77-0409", "Marlstone 7"} & set(answer.facts)


@pytest.mark.parametrize(
    ("path", "told"), [("/dev/sdx", "/dev/sdx"), ("/home/shop/jobs/old 7.img", "old 7.img")]
)
def test_customers_edition_when_advice_is_a_command_then_its_drives_are_as_the_report_has_them(
    path: str, told: str
) -> None:
    """A report names a device, and an image by its own name: they are no files of the customer."""
    kind = "device" if path.startswith("/dev") else "image"
    own = OLD.drive.model_copy(update={"path": path, "kind": kind})
    old = OLD.model_copy(update={"drive": own})
    advice = say("Read all of them: {command}", command=full_check(old, NEW))
    document = comparison(findings=(finding(advice=advice),), sides=(old, NEW))
    text = str(build_handover(document, Edition.CUSTOMER).actions[0].advice)
    assert told in text
    assert "/home/shop" not in text
    assert "<name" not in text
    assert path in str(build_handover(document, Edition.SHOP).actions[0].advice)


def test_customers_edition_when_a_check_gives_advice_then_it_stands_as_it_is() -> None:
    """An option such as `/disable` is no name; a name behind a command is one."""
    names = names_of(comparison(), Edition.CUSTOMER)
    modules = [module for name, module in sys.modules.items() if name.startswith("verify.rules.")]
    advice = {
        value for module in modules for value in vars(module).values() if isinstance(value, Message)
    }
    assert len(advice) > len(RULES)
    assert [text for text in advice if names.text(text) != text] == []
    assert "mira" not in names.text("reagentc /disable /home/mira/x")
