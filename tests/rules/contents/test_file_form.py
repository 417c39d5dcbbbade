"""Files that are whole on the old drive and not on the new one, and zeros where there was data."""

from __future__ import annotations

import struct
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from tests.boot.test_boot_forms import big_hive, in_bins, with_head, zeroed
from tests.rules.boot import machines
from tests.rules.boot.machines import WIM, Machine, clone, linux_drive, program
from tests.rules.cases import case_of
from tests.rules.contents.drives import OTHER, SECOND, YESTERDAY, Side, a_file, judged, told
from verify.manifest.draw import FILE_BLOCK_BYTES
from verify.matching.zeroed import digest_of_zeros, is_laid_out
from verify.rules.contents import file_form
from verify.rules.rule import Case, Level, Result

if TYPE_CHECKING:
    from verify.filesystem.entry import Entry

PAGE = 4096
NTUSER = "/Users/mira/NTUSER.DAT"
LOG = f"{NTUSER}.LOG1"
DRIVER = "/Windows/System32/drivers/tcpip.sys"
HIVE = in_bins(big_hive())
DIRTY = with_head(HIVE, "<I", 4, 9)


def findings(case: Case) -> list[tuple[str, str | None, str]]:
    """Return level, path and words of what the rule finds."""
    _, found = file_form.RULE(case)
    return [(item.level.value, item.path, item.message) for item in found]


def machine(files: dict[str, bytes]) -> Machine:
    """Return a machine with further files on its system partition."""
    return Machine().with_files(3, files)


def pair(old: dict[str, bytes], new: dict[str, bytes]) -> list[tuple[str, str | None]]:
    """Return level and path of what the rule finds of two machines."""
    return [item[:2] for item in findings(clone(machine(new), machine(old)))]


@pytest.mark.parametrize(
    ("path", "good", "bad"),
    [
        (NTUSER, HIVE, bytes(len(HIVE))),
        (NTUSER, HIVE, zeroed(HIVE, 2 * PAGE, PAGE)),
        (NTUSER, HIVE, HIVE[:-PAGE]),
        ("/Windows/System32/config/SOFTWARE", HIVE, bytes(len(HIVE))),
        (DRIVER, program(), bytes(len(program()))),
        (DRIVER, program(), program(0xAA64)),
        ("/Windows/System32/ntoskrnl.exe", program(), program()[:0x80] + bytes(300)),
        ("/Recovery/WindowsRE/other.wim", WIM, WIM[:120] + struct.pack("<I", 9) + WIM[124:]),
        ("/Windows/Panther/unattend.xml", b"<a/>", bytes(4)),
        ("/boot.ini", b"[boot loader]", bytes(13)),
    ],
)
def test_form_when_it_is_whole_on_the_old_drive_alone_then_it_is_stop(
    path: str, good: bytes, bad: bytes
) -> None:
    """The quiet twin is the same file on both; with the same fault on both it is a note."""
    assert pair({path: good}, {path: good}) == []
    assert pair({path: good}, {path: bad}) == [("stop", path)]
    both = pair({path: bad}, {path: bad})
    assert [level for level, _ in both] in ([], ["note"])
    assert pair({path: bad}, {path: good}) == [] or bad == program(0xAA64)


def test_form_when_the_old_drive_has_another_fault_then_it_is_stop() -> None:
    """An old fault excuses the same fault at the same place alone."""
    old, new = zeroed(HIVE, 2 * PAGE, PAGE), bytes(len(HIVE))
    assert pair({NTUSER: old}, {NTUSER: new}) == [("stop", NTUSER)]
    assert pair({NTUSER: old}, {NTUSER: zeroed(HIVE, PAGE, PAGE)}) == [("stop", NTUSER)]


def test_hive_when_it_was_in_the_middle_of_a_change_then_its_log_decides() -> None:
    """SPEC: open descriptions of the REGF format: a log completes a dirty hive."""
    logged = {NTUSER: DIRTY, LOG: b"regf" + bytes(508)}
    assert pair({NTUSER: HIVE}, logged) == []
    assert pair({NTUSER: HIVE}, {NTUSER: DIRTY}) == [("review", NTUSER)]
    assert pair({NTUSER: HIVE}, {NTUSER: DIRTY, LOG: bytes(512)}) == [("review", NTUSER)]
    torn = logged | {NTUSER: zeroed(DIRTY, 2 * PAGE, PAGE)}
    assert pair({NTUSER: HIVE}, torn) == [("review", NTUSER)]
    alone = {NTUSER: torn[NTUSER]}
    assert pair({NTUSER: HIVE}, alone) == [("stop", NTUSER)]
    gone = logged | {NTUSER: bytes(len(HIVE))}
    assert pair({NTUSER: HIVE}, gone) == [("stop", NTUSER)]


def test_form_when_many_files_of_a_folder_are_damaged_then_they_are_told_together() -> None:
    """A driver store of which nothing was copied is one finding."""
    names = [f"/Windows/System32/drivers/d{number}.sys" for number in range(30)]
    good, bad = dict.fromkeys(names, program()), dict.fromkeys(names, bytes(600))
    ((level, path, message),) = findings(clone(machine(bad), machine(good)))
    assert (level, path) == ("stop", "/Windows/System32/drivers")
    assert message.startswith("30 files under this folder")


def test_form_when_only_the_new_drive_has_the_file_then_it_is_review_if_damaged() -> None:
    """A boot file that was added by a repair."""
    assert pair({}, {NTUSER: HIVE}) == []
    assert pair({}, {NTUSER: bytes(PAGE)}) == [("review", NTUSER)]


def test_form_when_it_is_linux_then_a_table_of_zeros_is_stop() -> None:
    """And a kernel that is no program on either drive is no finding."""
    good = {"/etc/fstab": b"proc /proc proc defaults 0 0\n", "/boot/vmlinuz-6": b"zz" * 900}
    bad = good | {"/etc/fstab": bytes(29)}
    assert findings(case_of(linux_drive(good), linux_drive(good))) == []
    ((level, path, _),) = findings(case_of(linux_drive(good), linux_drive(bad)))
    assert (level, path) == ("stop", "/etc/fstab")


def test_form_when_a_side_could_not_be_read_or_did_not_look_then_it_is_not_examined() -> None:
    """An unread file proves nothing; nor does a capture of an older version."""
    for forms in (None, (replace(machines.forms_of({NTUSER: HIVE}, "ntfs")[0], unread="EIO"),)):
        header = machine({NTUSER: HIVE}).header()
        parts = tuple(
            item.model_copy(update={"boot": replace(item.boot, forms=forms)})
            if item.number == 3 and item.boot
            else item
            for item in header.partitions
        )
        case = case_of(header, header.model_copy(update={"partitions": parts}))
        outcomes, _ = file_form.RULE(case)
        assert [item.outcome for item in outcomes] == [Result.NOT_EXAMINED]
        assert outcomes[0].reason


# --- zeros ------------------------------------------------------------------------------------

LETTER = "/Users/mira/Documents/letter.docx"
EVENTS = "/Windows/System32/winevt/Logs/System.evtx"
MAIL = "/Users/mira/Mail/all.pst"
LATER = {"modified": YESTERDAY + 3600 * SECOND}
SIZE = 5 * PAGE + 100


def zeros(path: str, old: dict[str, Any], new: dict[str, Any]) -> list[tuple[str, str | None]]:
    """Return what the rule finds of one file whose contents differ."""
    before = replace(a_file(path, size=SIZE), **old)
    after: Entry = replace(a_file(path, size=SIZE, digest=OTHER), **new)
    return told(judged(file_form.RULE, Side([before]), Side([after])))


@pytest.mark.parametrize("times", [({}, LATER), (LATER, {}), ({}, {})])
@pytest.mark.parametrize("gone", [{"zero_blocks": 1}, {"zero_tail": True}, {"zero_blocks": 5}])
def test_zeros_when_the_old_drive_has_data_there_then_it_is_stop_whatever_the_times(
    gone: dict[str, Any], times: tuple[dict[str, Any], dict[str, Any]]
) -> None:
    """A cluster, the tail, or all whole blocks of a document; the mirror image is quiet."""
    old, new = times
    assert zeros(LETTER, old, new | gone) == [("stop", LETTER)]
    assert zeros(LETTER, old | gone, new) == []
    assert zeros(LETTER, old | gone, new | gone) == []


def test_zeros_when_the_file_is_of_another_length_then_only_nothing_else_counts() -> None:
    """A newer version of a program has as many zero blocks as it has."""
    assert zeros(LETTER, LATER, {"size": 3 * PAGE, "zero_blocks": 2}) == []
    assert zeros(LETTER, LATER, {"size": 3 * PAGE, "zero_blocks": 3}) == [("stop", LETTER)]
    assert zeros(LETTER, LATER, {"size": 100, "zero_tail": True}) == [("stop", LETTER)]
    assert zeros(LETTER, LATER, {"size": 0}) == []


def test_zeros_when_a_program_lays_the_file_out_then_it_is_review_or_nothing() -> None:
    """What was filled up on the old drive after the clone was zero before."""
    some = {"zero_blocks": 2}
    assert zeros(MAIL, {}, LATER | some) == [("review", MAIL)]
    assert zeros(MAIL, LATER, some) == []
    assert zeros(EVENTS, LATER, some) == []
    assert zeros(MAIL, LATER, {"zero_blocks": 5, "zero_tail": True}) == [("review", MAIL)]
    assert zeros("/pagefile.sys", {}, LATER | {"zero_blocks": 5, "zero_tail": True}) == []


def test_zeros_when_fewer_than_sixteen_bytes_end_the_file_then_they_do_not_count() -> None:
    """Many formats end with a zero; both sides of the limit."""
    for rest, expected in ((15, []), (16, [("stop", LETTER)])):
        size = {"size": PAGE + rest}
        assert zeros(LETTER, size, size | {"zero_tail": True}) == expected


def test_zeros_when_a_block_of_a_large_file_is_zero_then_it_is_stop() -> None:
    """A sample reads blocks; that of zeros has a digest of its own, also where it is cut."""
    size = 80 * FILE_BLOCK_BYTES + 7
    film = "/Users/mira/film.mkv"
    blank, rest = digest_of_zeros(FILE_BLOCK_BYTES), digest_of_zeros(7)

    def found(old: list[tuple[int, str]], new: list[tuple[int, str]]) -> list[Any]:
        sides = [
            Side([a_file(film, size=size, digest=None, blocks=blocks)], depth="sample")
            for blocks in (old, new)
        ]
        return told(judged(file_form.RULE, *sides))

    assert found([(3, OTHER)], [(3, blank)]) == [("stop", film)]
    assert found([(80, OTHER)], [(80, rest)]) == [("stop", film)]
    assert found([(3, blank)], [(3, OTHER)]) == []
    assert found([(3, OTHER)], [(3, "ef" * 32)]) == []


@pytest.mark.parametrize(
    ("name", "laid_out"),
    [
        ("Security.evtx", True),
        ("disk.vhdx", True),
        ("places.sqlite-wal", True),
        ("data_1", True),
        ("ib_logfile0", True),
        ("film.mkv.part", True),
        ("letter.docx", False),
        ("photo.jpg", False),
        ("invoice.pdf", False),
        ("setup.exe", False),
        ("index.html", False),
    ],
)
def test_laid_out_when_asked_of_a_name_then_only_programs_own_files_are(
    name: str, *, laid_out: bool
) -> None:
    """The table's sources stand beside it."""
    assert is_laid_out(f"/Users/mira/{name}") is laid_out


def test_rule_when_files_were_hashed_and_are_the_same_then_it_says_so() -> None:
    """A data drive has no files with a form of their own."""
    photo = a_file("/photo.jpg")
    comparison = judged(file_form.RULE, Side([photo]), Side([photo]))
    assert [(item.outcome, item.compared) for item in comparison.outcomes] == [(Result.SAME, 1)]
    assert Level.STOP not in [item.level for item in comparison.findings]
