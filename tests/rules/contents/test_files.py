"""Each rule about files: a case where it fires, and a quiet twin.

Levels are those of the rules' pages (docs/rules): by what the times say, by whose
file it is, by what cloning tools leave out.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from tests.rules.contents.drives import (
    OTHER,
    SAME,
    TODAY,
    Side,
    a_file,
    a_folder,
    judged,
    outcomes,
    told,
)
from verify.filesystem.entry import NOT_TRIED, TOUCHES_UNREADABLE, Entry, Stream
from verify.manifest.row import Block
from verify.rules.contents import (
    file_content,
    file_count,
    file_expected_change,
    file_extra,
    file_missing,
    file_size,
    raw_content,
)
from verify.rules.contents.gather import MOST_GROUPS
from verify.rules.judge_drives import compare

if TYPE_CHECKING:
    from verify.rules.rule import Rule

Told = list[tuple[str, str | None]]

PHOTO = "/Users/orla/Pictures/one.jpg"
LOG = "/Windows/System32/winevt/Logs/System.evtx"
HIVE = "/Windows/System32/config/SOFTWARE"
PAGE = "/pagefile.sys"
STORE = "/Boot/BCD"
BASE = [a_folder("/Users"), a_file("/Users/a.txt"), a_file(PHOTO)]


def both(rule: Rule, old: list[Entry], new: list[Entry]) -> tuple[Told, Told]:
    """Return the findings of a comparison, and of its mirror image."""
    forward = judged(rule, Side(old), Side(new))
    backward = judged(rule, Side(new), Side(old))
    return told(forward), told(backward)


@pytest.mark.parametrize(
    "rule",
    [
        file_missing.RULE,
        file_extra.RULE,
        file_size.RULE,
        file_content.RULE,
        file_count.RULE,
        raw_content.RULE,
        file_expected_change.RULE,
    ],
    ids=lambda rule: rule.slug,
)
def test_rule_when_both_drives_hold_the_same_then_it_is_quiet(rule: Rule) -> None:
    """The quiet twin of every case below: one outcome `same`, and no finding."""
    comparison = judged(rule, Side(BASE), Side(BASE))
    assert outcomes(comparison) == ["same"]
    assert all(item.compared > 0 for item in comparison.outcomes)
    assert comparison.findings == ()


def test_missing_when_a_photo_lacks_then_it_is_stop_and_named() -> None:
    """And the mirror image has it as a further file, a note."""
    assert both(file_missing.RULE, BASE, BASE[:2]) == ([("stop", PHOTO)], [])
    assert both(file_extra.RULE, BASE, BASE[:2]) == ([], [("note", PHOTO)])


def test_missing_when_an_empty_folder_lacks_then_it_is_stop() -> None:
    """A folder is a customer's too."""
    old = [*BASE, a_folder("/Users/orla/Music")]
    assert both(file_missing.RULE, old, BASE)[0] == [("stop", "/Users/orla/Music")]


@pytest.mark.parametrize("path", [PAGE, "/hiberfil.sys", "/swapfile.sys", LOG, "/$Recycle.Bin/x"])
def test_missing_when_copies_leave_it_out_then_it_is_an_expected_change(path: str) -> None:
    """Page, hibernation and swap files, the waste bin; logs that come and go."""
    old = [*BASE, a_file(path)]
    assert both(file_missing.RULE, old, BASE) == ([], [])
    assert [level for level, _ in both(file_expected_change.RULE, old, BASE)[0]] == ["note"]


def test_missing_when_every_log_lacks_then_it_is_review() -> None:
    """One that is left tells a running system's work from a copy that left all of them out."""
    logs = [a_file(f"/Windows/System32/winevt/Logs/{number:02}.evtx") for number in range(21)]
    assert both(file_missing.RULE, [*BASE, *logs], BASE) == ([("review", None)], [])
    assert both(file_missing.RULE, [*BASE, *logs], [*BASE, logs[0]]) == ([], [])
    assert both(file_missing.RULE, [*BASE, *logs[:19]], BASE) == ([], [])


def test_missing_when_a_hive_lacks_then_it_is_stop() -> None:
    """A hive moves while the system runs, but it is never left out."""
    assert both(file_missing.RULE, [*BASE, a_file(HIVE)], BASE)[0] == [("stop", HIVE)]


def test_missing_when_8000_files_lack_then_it_is_one_sentence_a_folder() -> None:
    """Many differences are reported as one, with their number."""
    old = [*BASE, *(a_file(f"/Users/orla/Pictures/{number:05}.jpg") for number in range(8_000))]
    comparison = judged(file_missing.RULE, Side(old), Side(BASE))
    assert told(comparison) == [("stop", "/Users/orla/Pictures")]
    assert "8000 files" in comparison.findings[0].message


def test_missing_when_seven_files_of_a_folder_lack_then_the_first_three_are_named() -> None:
    """A folder alone does not say what was lost; the names stand in no sentence."""
    lost = [a_file(f"/lost papers/letter {number}.odt") for number in range(1, 8)]
    base = [*BASE, a_folder("/lost papers")]
    (found,) = judged(file_missing.RULE, Side([*base, *lost]), Side(base)).findings
    assert (found.path, found.examples) == ("/lost papers", tuple(item.path for item in lost[:3]))
    assert "letter" not in found.message + found.advice


def test_missing_when_three_files_of_a_folder_lack_then_each_is_a_finding_of_its_own() -> None:
    """Its name is the finding's own: nothing is named twice."""
    lost = [a_file(f"/Users/letter {number}.odt") for number in range(1, 4)]
    found = judged(file_missing.RULE, Side([*BASE, *lost]), Side(BASE)).findings
    assert [(item.path, item.examples) for item in found] == [(item.path, ()) for item in lost]


def test_missing_when_a_whole_folder_lacks_then_it_is_one_finding_with_what_was_in_it() -> None:
    """The outermost folder is named; what lies in it is counted; its neighbour stays apart."""
    letters = "/Users/orla/Letters"
    old = [
        *BASE,
        a_folder(letters),
        a_folder(f"{letters}/2024"),
        *(a_file(f"{letters}/2024/{number}") for number in range(30)),
        a_file(f"{letters} of last year"),
    ]
    comparison = judged(file_missing.RULE, Side(old), Side(BASE))
    assert told(comparison) == [("stop", letters), ("stop", f"{letters} of last year")]
    assert "with 31 files and folders in it (3.00 kB)" in comparison.findings[0].message


def test_missing_when_more_lack_than_are_kept_then_the_rest_is_counted() -> None:
    """No difference is lost: 12,000 lack, 10,000 are kept whole."""
    old = [*BASE, *(a_file(f"/Users/orla/Pictures/{number:05}.jpg") for number in range(12_000))]
    comparison = judged(file_missing.RULE, Side(old), Side(BASE))
    assert [item.level.value for item in comparison.findings] == ["stop", "stop"]
    assert "2000 more files" in comparison.findings[1].message


def test_missing_when_thousands_of_logs_go_too_then_the_one_photo_is_still_named() -> None:
    """Each meaning is kept apart: no crowd of expected changes pushes a loss out."""
    logs = [a_file(f"/Windows/Logs/{number:05}.log") for number in range(11_000)]
    old = [*BASE, *logs, a_file("/zebra.jpg")]
    comparison = judged(file_missing.RULE, Side(old), Side([*BASE, logs[0]]))
    assert told(comparison) == [("stop", "/zebra.jpg")]
    assert (
        "11000 files and folders"
        in judged(file_expected_change.RULE, Side(old), Side(BASE)).findings[0].message
    )


def test_missing_when_a_listing_is_incomplete_then_it_was_not_examined() -> None:
    """What could not be listed cannot be said to be there."""
    comparison = judged(file_missing.RULE, Side(BASE), Side(BASE, incomplete="/x: unreadable"))
    assert outcomes(comparison) == ["not_examined"]
    assert "/x: unreadable" in (comparison.outcomes[0].reason or "")


def test_missing_when_one_side_was_not_listed_then_it_was_not_examined() -> None:
    """A filesystem that no reader takes on one side alone."""
    comparison = judged(file_missing.RULE, Side(BASE), Side(raw=True))
    assert outcomes(comparison) == ["not_examined"]


@pytest.mark.parametrize(
    ("moved", "level"), [(0, "stop"), (1_000_000_000, "stop"), (86_400_000_000_000, "review")]
)
def test_content_when_it_differs_then_the_times_decide(moved: int, level: str) -> None:
    """The same time (to FAT's two seconds) is damage; a newer target was used since."""
    new = [*BASE[:2], a_file(PHOTO, digest=OTHER, modified=BASE[2].modified + moved)]  # type: ignore[operator]
    assert both(file_content.RULE, BASE, new)[0] == [(level, PHOTO)]


def test_content_when_the_old_drive_is_newer_then_it_is_stop() -> None:
    """The newer version is on the drive that is about to be wiped."""
    old = [*BASE[:2], a_file(PHOTO, digest=OTHER, modified=TODAY)]
    assert both(file_content.RULE, old, BASE) == ([("stop", PHOTO)], [("review", PHOTO)])


def test_size_when_it_differs_then_the_times_decide() -> None:
    """A cut file under the same time is damage, at every depth."""
    cut = [*BASE[:2], a_file(PHOTO, size=50, digest=None)]
    comparison = judged(file_size.RULE, Side(BASE, depth="layout"), Side(cut, depth="layout"))
    assert told(comparison) == [("stop", PHOTO)]
    assert comparison.findings[0].source == "100 bytes"
    assert comparison.findings[0].target == "50 bytes"


@pytest.mark.parametrize("path", [LOG, HIVE])
def test_content_when_a_running_system_wrote_it_then_it_is_an_expected_change(path: str) -> None:
    """Another time on a log or a hive; under one time it is for a person to decide."""
    old, new = [*BASE, a_file(path)], [*BASE, a_file(path, digest=OTHER, modified=TODAY)]
    assert both(file_content.RULE, old, new) == ([], [])
    assert [level for level, _ in both(file_expected_change.RULE, old, new)[0]] == ["note"]
    held = [*BASE, a_file(path, digest=OTHER)]
    assert both(file_content.RULE, old, held)[0] == [("review", path)]


@pytest.mark.parametrize("path", [STORE, "/EFI/Microsoft/Boot/BCD", "/boot/bcd.LOG1"])
def test_content_when_a_boot_store_was_rewritten_then_it_is_an_expected_change(path: str) -> None:
    """What it says is judged by the rules about booting."""
    old, new = [*BASE, a_file(path)], [*BASE, a_file(path, size=200, digest=OTHER)]
    assert both(file_size.RULE, old, new) == ([], [])
    assert both(file_expected_change.RULE, old, new)[0] == [("note", path)]


def test_content_when_the_packed_stream_differs_then_the_zeros_do_not_hide_it() -> None:
    """System-compressed files: equal main streams of zeros, other data in the named stream."""
    streams = [Stream("WofCompressedData", 6, SAME)], [Stream("WofCompressedData", 6, OTHER)]
    path = "/Windows/System32/some.dll"
    old, new = ([*BASE, a_file(path, reparse="80000017", streams=item)] for item in streams)
    assert both(file_content.RULE, old, new)[0] == [("stop", path)]


def test_content_when_a_named_stream_is_gone_then_it_is_review() -> None:
    """Lost named streams are the mark of a copy made file by file."""
    old = [*BASE, a_file("/a", streams=[Stream("note", 4, SAME)])]
    assert both(file_content.RULE, old, [*BASE, a_file("/a")])[0] == [("review", "/a")]


def test_content_when_a_file_could_not_be_read_then_it_was_not_examined() -> None:
    """Absence of evidence is reported, never assumed away."""
    new = [*BASE[:2], a_file(PHOTO, digest=None, unhashed="it touches sectors that cannot be read")]
    comparison = judged(file_content.RULE, Side(BASE), Side(new))
    assert outcomes(comparison) == ["not_examined"]
    assert comparison.verdict == "review"


def test_content_when_only_layouts_were_read_then_it_was_not_examined() -> None:
    """Depth `layout` can never be sound."""
    plain = [replace(item, digest=None) for item in BASE]
    comparison = judged(file_content.RULE, Side(plain, depth="layout"), Side(BASE))
    assert outcomes(comparison) == ["not_examined"]
    assert comparison.evidence.bound is None
    assert comparison.verdict == "review"


@pytest.mark.parametrize(
    ("hashed", "at_most", "verdict"), [(1_900, 2, "sound"), (1_500, 4, "review")]
)
def test_content_when_a_sample_is_too_small_then_it_is_not_enough(
    hashed: int, at_most: int, verdict: str
) -> None:
    """3,000 files: 1,900 drawn leave 2 open (0.07 %), 1,500 leave 4 (0.13 %).

    By C(N - D, n) / C(N, n) > 5 %: (1,100 / 3,000)^2 = 13 % and ^3 = 4.9 %; 0.5^4 = 6.2 %.
    """
    files = [
        a_file(f"/Users/orla/{number:05}", digest=SAME if number < hashed else None)
        for number in range(3_000)
    ]
    comparison = judged(file_content.RULE, Side(files, depth="sample"), Side(files))
    assert comparison.verdict == verdict
    assert comparison.evidence.bound is not None
    assert comparison.evidence.bound.files_at_most == at_most


def test_content_when_boot_files_were_read_then_they_do_not_count_into_the_bound() -> None:
    """Always read, so no draw: the bound is about the others."""
    files = [a_file(f"/Windows/{number}", boot=True) for number in range(50)]
    files += [a_file(f"/Users/{number}", digest=None) for number in range(50)]
    comparison = judged(file_content.RULE, Side(files, depth="sample"), Side(files))
    assert comparison.evidence.bound is not None
    assert comparison.evidence.bound.files_at_most == 50
    assert comparison.evidence.bound.rate_at_most == 1.0


def test_content_when_blocks_of_a_large_file_differ_then_it_is_told() -> None:
    """A 16 MiB film of which two blocks were drawn on both sides."""
    film = a_file("/Users/orla/film.mp4", size=16 << 20, digest=None)
    old = [*BASE, replace(film, blocks=[(3, SAME), (9, SAME)])]
    new = [*BASE, replace(film, blocks=[(3, SAME), (9, OTHER)])]
    comparison = judged(file_content.RULE, Side(old, depth="sample"), Side(new, depth="sample"))
    assert ("stop", film.path) in told(comparison)
    assert comparison.evidence.mismatches == 1


def test_content_when_large_files_were_hardly_read_then_it_is_not_enough() -> None:
    """No block of a large file was read: every file drawn is no bound on bytes."""
    old = [*BASE, a_file("/Users/orla/film.mp4", size=16 << 20, digest=None)]
    comparison = judged(file_content.RULE, Side(old, depth="sample"), Side(old, depth="sample"))
    assert comparison.evidence.bound is not None
    assert comparison.evidence.bound.bytes_at_most == 16 << 20
    assert "not_examined" in outcomes(comparison)


def test_count_when_files_lack_then_it_is_stop_and_further_ones_a_note() -> None:
    """Both counts are in the finding."""
    comparison = judged(file_count.RULE, Side(BASE), Side(BASE[:2]))
    assert [(item.level.value, item.source, item.target) for item in comparison.findings] == [
        ("stop", 2, 1)
    ]
    assert both(file_count.RULE, BASE, BASE[:2])[1] == [("note", None)]


def test_count_when_only_a_page_file_lacks_then_it_is_a_note() -> None:
    """An expected change explains it."""
    assert both(file_count.RULE, [*BASE, a_file(PAGE)], BASE)[0] == [("note", None)]


LINK = Entry("link", PHOTO, target="/elsewhere", node=7)


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        (BASE, BASE[:2], ["file-missing"]),
        (BASE[:2], BASE, ["file-extra"]),
        ([*BASE, a_file(PAGE)], BASE, ["file-expected-change"]),
        ([*BASE, a_file(PAGE)], BASE[:2], ["file-expected-change", "file-missing"]),
        ([*BASE[:2], a_file("/b"), a_file("/c")], BASE, ["file-extra", "file-missing"]),
        (BASE, [*BASE[:2], LINK], ["file-links"]),
    ],
)
def test_count_when_it_says_where_the_names_are_then_they_are_there(
    old: list[Entry], new: list[Entry], named: list[str]
) -> None:
    """No rule is named that has no finding."""
    comparison = compare(Side(old).manifest("old"), Side(new).manifest("new"))
    (advice,) = [row.advice for row in comparison.findings if row.rule == "file-count"]
    assert sorted(re.findall(r"[a-z]+-[a-z-]+", advice)) == named
    assert set(named) <= {row.rule for row in comparison.findings}


def test_missing_when_the_old_drive_could_not_read_it_either_then_nothing_is_copied() -> None:
    """A sparse file that nobody tried to read is still there to be copied."""
    unread = a_file("/lost.txt", digest=None, unhashed=str(TOUCHES_UNREADABLE))
    (finding,) = judged(file_missing.RULE, Side([*BASE, unread]), Side(BASE)).findings
    assert (finding.level.value, finding.path) == ("stop", "/lost.txt")
    assert finding.advice.startswith("Take it from a backup")
    tried = replace(unread, unhashed=str(NOT_TRIED))
    (finding,) = judged(file_missing.RULE, Side([*BASE, tried]), Side(BASE)).findings
    assert finding.advice.startswith("Copy it from the old drive")


def raw(*digests: str | None, **more: object) -> Side:
    """Return a drive with a locked partition whose first blocks were read."""
    blocks = [Block(index, digest) for index, digest in enumerate(digests)]
    side = Side(blocks=blocks, raw=True, kind="bitlocker", sectors=len(digests) * 2048)
    return replace(side, **more)  # type: ignore[arg-type]


def test_raw_when_every_block_is_the_same_then_it_is_proven() -> None:
    """The same encrypted bytes on both sides are full proof."""
    comparison = judged(raw_content.RULE, raw(SAME, OTHER), raw(SAME, OTHER))
    assert outcomes(comparison) == ["same"]
    assert comparison.verdict == "sound"


@pytest.mark.parametrize(
    ("kind", "level"), [("bitlocker", "stop"), ("xfs", "stop"), ("ntfs", "review")]
)
def test_raw_when_a_block_differs_then_what_can_be_known_decides(kind: str, level: str) -> None:
    """Free space of a known filesystem may differ on a good copy; of the rest nothing is known."""
    comparison = judged(raw_content.RULE, raw(SAME, SAME, kind=kind), raw(SAME, OTHER, kind=kind))
    assert [item.level.value for item in comparison.findings] == [level]


def test_raw_when_the_target_is_shorter_then_it_is_stop_and_longer_is_nothing() -> None:
    """Bytes of the old drive that have no place on the new one."""
    comparison = judged(raw_content.RULE, raw(SAME, SAME), raw(SAME))
    assert [item.level.value for item in comparison.findings] == ["stop"]
    assert judged(raw_content.RULE, raw(SAME), raw(SAME, SAME)).findings == ()


def test_raw_when_a_block_was_unreadable_then_it_was_not_examined() -> None:
    """No hash over bytes that could not be read."""
    comparison = judged(raw_content.RULE, raw(SAME, None), raw(SAME, SAME))
    assert "not_examined" in outcomes(comparison)
    assert comparison.verdict == "review"


def test_raw_when_the_bytes_before_the_partition_differ_then_it_is_review() -> None:
    """Where a BIOS loader keeps its second part."""
    comparison = judged(raw_content.RULE, Side(BASE), Side(BASE, gap=OTHER))
    assert [item.level.value for item in comparison.findings] == ["review"]
    comparison = judged(raw_content.RULE, Side(BASE), Side(BASE, gap=None))
    assert outcomes(comparison) == ["not_examined"]


def test_raw_when_one_side_was_read_as_files_then_they_cannot_be_compared() -> None:
    """An encrypted source against a plain target is for a person to decide."""
    comparison = judged(file_missing.RULE, raw(SAME), Side(BASE, sectors=2048))
    assert outcomes(comparison) == ["not_examined"]
    assert comparison.verdict == "review"


def test_missing_when_there_are_many_groups_then_the_largest_and_a_persons_are_named() -> None:
    """Of machines, sixty groups of ten; beside them a large disk and one letter."""
    crowd = [a_file(f"/Windows/System32/part{at}/{n}.dll") for at in range(60) for n in range(10)]
    letter, disk = a_file("/Users/orla/letter.odt", size=9), a_file("/x/disk.vhdx", size=9 << 30)
    large = a_file("/Program Files/Suite/data/big.bin", size=9 << 20)
    old = [a_file("/Users/stays.txt"), *crowd, letter, disk, large]
    found = both(file_missing.RULE, old, old[:1])[0]
    assert {path for _, path in found} >= {letter.path, disk.path, large.path}
    assert len(found) <= MOST_GROUPS + 1


def test_missing_when_one_group_is_crowded_then_its_examples_are_the_gravest() -> None:
    """Ten thousand small files of programs come first in their order."""
    crowd = [a_file(f"/Users/orla/AppData/{n:05}.bin") for n in range(25_000)]
    letter = a_file("/Users/orla/AppData/zz/offer.docx", size=9)
    large = a_file("/Users/orla/AppData/zz.bin", size=1 << 20)
    old = [a_file("/Users/stays.txt"), *crowd, letter, large]
    comparison = judged(file_missing.RULE, Side(old), Side(old[:1]))
    named = {item.path for item in comparison.findings} | {
        path for item in comparison.findings for path in item.examples
    }
    assert {letter.path, large.path} <= named
    counted = [re.match(r"[\d,]+|A", item.message) for item in comparison.findings]
    numbers = [match[0].replace(",", "").replace("A", "1") for match in counted if match]
    assert sum(map(int, numbers)) == len(old) - 1
