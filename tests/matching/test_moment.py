"""Twenty good clones of running systems, none `stop`; twenty with one loss each, all named."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from blake3 import blake3

from tests.matching.running_pairs import DAY, HIVES, NAMES, NOW, SYSTEM, Running
from verify.rules.catalogue import RULES
from verify.rules.judge_drives import compare

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.rules.comparison_document import Comparison

FILE_RULES = tuple(
    rule for rule in RULES if rule.slug.startswith("file-") or rule.slug.endswith("used-since")
)


def judged(pair: Running) -> Comparison:
    """Compare both sides by the rules about files and later use."""
    old, new = pair.sides()
    return compare(old.manifest("old"), new.manifest("new"), FILE_RULES)


def stops(comparison: Comparison) -> list[tuple[str, str | None]]:
    """Return what forbids wiping: rule and path, or for want of one the sentence."""
    found = [item for item in comparison.findings if item.level == "stop"]
    return [(item.rule, item.path or item.message) for item in found]


def a_pair(seed: int) -> Running:
    """Return one of the twenty: three kinds, every fourth torn."""
    kind = ("windows", "linux", "data")[seed % 3]
    return Running(kind, seed, innocent=(300, 900)[seed % 2], torn=seed % 4 == 3)


@pytest.mark.parametrize("seed", range(20))
def test_compare_when_the_system_ran_on_then_it_is_never_stop(seed: int) -> None:
    """Known by construction: nothing that was there at the moment of the copy lacks or differs."""
    comparison = judged(a_pair(seed))
    assert stops(comparison) == []
    used = [item for item in comparison.findings if item.rule == "source-used-since"]
    assert len(used) == 1
    assert comparison.later
    assert len(comparison.findings) <= 12, [item.message for item in comparison.findings]


def _missing(pair: Running, path: str) -> None:
    del pair.copy[path]


def _damaged(pair: Running, path: str) -> None:
    pair.copy[path].digest = "ee" * 32


def _cut(pair: Running, path: str) -> None:
    pair.copy[path].size //= 2
    pair.copy[path].digest = "ee" * 32


def _earlier(pair: Running, path: str) -> None:
    row = pair.copy[path]
    at = (row.modified or 0) - DAY
    pair.copy[path] = replace(row, modified=at, changed=at, digest="ee" * 32)


LOSSES: tuple[Callable[[Running, str], None], ...] = (_missing, _damaged, _cut, _earlier)


@pytest.mark.parametrize("seed", range(20))
def test_compare_when_one_is_lost_among_them_then_it_is_stop_and_named(seed: int) -> None:
    """Work, a cache, a program: older than the moment, and lacking or another one."""
    pair = a_pair(seed)
    forms = (NAMES[pair.kind][1], NAMES[pair.kind][0], SYSTEM[pair.kind])[seed // 4 % 3]
    path = pair.dice.choice([item for item in pair.untouched(forms) if "Temp" not in item])
    LOSSES[seed % 4](pair, path)
    found = stops(judged(pair))
    assert [named for rule, named in found if rule != "file-count"] == [path]


def test_compare_when_one_is_lost_among_thousands_then_it_is_named() -> None:
    """The crowd of innocent differences pushes nothing out."""
    pair = Running("windows", 99, innocent=9_000)
    path = pair.untouched(["/Users/orla/Documents/x"])[0]
    _missing(pair, path)
    comparison = judged(pair)
    assert [named for rule, named in stops(comparison) if rule != "file-count"] == [path]
    told = [item for item in comparison.findings if item.rule == "source-used-since"]
    assert sum(int(word) for word in told[0].message.split() if word.isdigit()) > 1_500


def test_compare_when_the_newest_file_is_lost_then_its_folder_tells() -> None:
    """Nothing on the volume is newer, but a name that came later would have dated its folder."""
    pair = Running("data", 5, innocent=200)
    pair.volume = replace(pair.volume, rows=dict(pair.copy))
    pair.volume.clock += DAY
    path = "/photos/2024/newest.jpg"
    pair.volume.write(path, 100)
    pair.copy = {name: replace(row) for name, row in pair.volume.rows.items() if name != path}
    assert stops(judged(pair))[0] == ("file-missing", path)


def test_compare_when_a_registry_file_is_zeros_then_it_is_stop() -> None:
    """Of its length, among others that moved on (BLAKE3 of as many zeros, by its library)."""
    pair = Running("windows", 7)
    assert stops(judged(pair)) == []
    row = pair.copy[HIVES[1]]
    row.digest = blake3(bytes(row.size)).hexdigest()
    assert stops(judged(pair)) == [("file-content", HIVES[1])]


def test_compare_when_files_have_future_times_then_the_moment_stands() -> None:
    """A camera's clock is wrong: a time that the check has not reached tells no moment."""
    pair = Running("data", 11)
    before = judged(pair).moments[0].copied
    for rows in (pair.volume.rows, pair.copy):
        row = rows["/photos/2019/3.jpg"]
        row.modified = row.changed = NOW + 3000 * DAY
    comparison = judged(pair)
    assert stops(comparison) == []
    assert comparison.moments[0].copied == before


def test_compare_when_a_clone_wrote_its_boot_store_then_the_moment_stands() -> None:
    """The clone's own last steps, and what a first attaching leaves, are no later use."""
    pair = Running("windows", 12)
    paths = ("/Boot/BCD", "/Windows/System32/Recovery/ReAgent.xml")
    pair.volume.clock = NOW - DAY
    for path in paths:
        pair.volume.write(path, 100)
    for path in pair.volume.rows.keys() & {"/Boot", "/Windows/System32/Recovery", *paths}:
        pair.copy[path] = replace(pair.volume.rows[path])
    before = judged(pair).moments[0]
    late = NOW + 4 * DAY
    for path in (*paths, "/System Volume Information/IndexerVolumeGuid"):
        row = pair.copy.setdefault(path, replace(pair.copy[paths[0]], path=path, node=9_999_999))
        row.modified = row.changed = late
        row.digest = "aa" * 32
    after = judged(pair)
    assert after.moments[0].copied == before.copied
    assert after.moments[0].target_used_from is None
    assert stops(after) == []


def test_compare_when_a_file_was_moved_then_it_is_not_missing() -> None:
    """The same record and contents, under the name it had."""
    pair = Running("windows", 13, innocent=60)
    path = pair.untouched(["/Users/orla/Documents/x"])[0]
    pair.volume.clock += DAY
    pair.volume.rename(path, "/Users/orla/Desktop/kept.docx")
    comparison = judged(pair)
    assert stops(comparison) == []
    moved = [row for row in comparison.later if row.path == "/Users/orla/Desktop/kept.docx"]
    assert [(row.what, row.earlier_path) for row in moved] == [("moved", path)]
    _damaged(pair, path)
    assert ("file-missing", "/Users/orla/Desktop/kept.docx") in stops(judged(pair))


def test_compare_when_a_moved_file_has_an_earlier_version_then_it_is_stop() -> None:
    """Moved after the clone, but written before it: the move excuses no other contents."""
    pair = Running("windows", 17, innocent=60)
    path = pair.untouched(["/Users/orla/Documents/x"])[0]
    pair.volume.clock += DAY
    pair.volume.rename(path, "/Users/orla/Desktop/kept.docx")
    _earlier(pair, path)
    assert ("file-missing", "/Users/orla/Desktop/kept.docx") in stops(judged(pair))


def test_compare_when_a_program_that_was_there_lacks_then_a_later_mark_excuses_nothing() -> None:
    """Its time of change and its folder's are later, as after a mark that a scanner sets."""
    pair = Running("windows", 18, innocent=60)
    path = "/Windows/System32/drivers/7.sys"
    _missing(pair, path)
    pair.volume.clock += DAY
    pair.volume.rows[path].changed = pair.volume.clock
    pair.volume.touch_folder(path)
    found = [(item.level.value, item.path) for item in judged(pair).findings]
    assert ("review", path) in found


def test_compare_when_only_the_modification_time_is_newer_there_then_it_is_stop() -> None:
    """A record whose bytes were damaged, or a date that somebody set: no writing there says so."""
    pair = Running("windows", 27, innocent=60)
    path = pair.untouched(["/Users/orla/Documents/x"])[0]
    _damaged(pair, path)
    pair.copy[path].modified = NOW + 4 * DAY
    assert ("file-content", path) in stops(judged(pair))


def test_compare_when_the_new_drive_got_one_more_file_then_the_moment_stands() -> None:
    """A note that somebody left in its root while the old system ran on."""
    pair = Running("windows", 19, innocent=300)
    before = judged(pair).moments[0]
    at = NOW + 3 * DAY
    row = replace(pair.copy["/Users"], path="/read me.txt", kind="file", node=9_999_999, size=10)
    row.modified = row.changed = row.created = at
    pair.copy[row.path] = row
    pair.volume.clock = at + DAY
    pair.volume.write("/Users/orla/Documents/letter-1.docx", 100)
    comparison = judged(pair)
    assert comparison.moments[0].copied == before.copied
    assert stops(comparison) == []


def test_compare_when_an_earlier_version_was_not_read_then_its_date_is_stop() -> None:
    """At sample depth: same size, contents unread, an earlier date; a log as well as a letter."""
    pair = Running("windows", 20, innocent=60)
    paths = [
        pair.untouched([f"{start}/x"])[0] for start in ("/Projects/bridge", "/Windows/Prefetch")
    ]
    for path in paths:
        row = pair.copy[path]
        at = (row.modified or 0) - DAY
        pair.copy[path] = replace(row, modified=at, changed=at, digest=None)
    old, new = pair.sides()
    comparison = compare(old.manifest("old"), new.manifest("new"), FILE_RULES)
    assert sorted(stops(comparison)) == sorted(("file-times", path) for path in paths)


def test_compare_when_the_new_drive_was_used_then_it_is_gathered_there() -> None:
    """The mirror: what is newer on the new drive; only of documents deleted there it is asked."""
    pair = Running("windows", 14, innocent=60)
    pair.copy, pair.volume.rows = pair.volume.rows, pair.copy
    comparison = judged(pair)
    documents = {path for path in pair.files_lost() if path.startswith(("/Users", "/Projects"))}
    assert {path for rule, path in stops(comparison) if rule == "file-missing"} <= documents
    assert {rule for rule, _ in stops(comparison)} <= {"file-missing", "file-count"}
    used = [item.rule for item in comparison.findings if item.rule.endswith("used-since")]
    assert used == ["target-used-since"]
    assert comparison.moments[0].target_used_from is not None


def test_compare_when_files_were_copied_one_by_one_then_there_is_no_moment() -> None:
    """Every time is new: nothing is excused, and it is said."""
    pair = Running("data", 15, innocent=60)
    for row in pair.copy.values():
        row.modified = row.changed = row.created = NOW + 4 * DAY
    comparison = judged(pair)
    assert comparison.moments[0].copied is None
    assert comparison.moments[0].reason


@pytest.mark.parametrize("kind", ["ntfs", "ext4"])
def test_compare_when_a_folder_is_renamed_in_case_only_then_it_is_one_review(kind: str) -> None:
    """Where the folder ignores case; on ext it is another folder, so the old one is missing."""
    pair = Running("data", 16, innocent=6)
    pair.copy = {path: replace(row) for path, row in pair.volume.rows.items()}
    respelt = {path: path.replace("/books", "/Books") for path in pair.copy}
    pair.copy = {
        respelt[path]: replace(row, path=respelt[path], node=row.node + 50_000)
        for path, row in pair.copy.items()
    }
    old, new = (replace(side, kind=kind) for side in pair.sides())
    comparison = compare(old.manifest("old"), new.manifest("new"), FILE_RULES)
    found = [(item.level.value, item.path) for item in comparison.findings]
    if kind == "ntfs":
        assert found == [("review", "/books")]
    else:
        assert ("stop", "/books") in found


PROFILE = "/Users/orla/AppData/Roaming/Mailer/Profiles/main"


def lost_then_written(paths: dict[str, str | None]) -> Comparison:
    """Lose files that were there before the copy; they and their folders are written afterwards."""
    pair = Running("windows", 19, innocent=60)
    pair.volume.clock = NOW - 30 * DAY
    for path in paths:
        pair.volume.write(path, 5_000)
    pair.copy = {path: replace(row) for path, row in pair.volume.rows.items()}
    for path in paths:
        _missing(pair, path)
    pair.volume.clock = NOW + 4 * DAY
    for path in paths:
        pair.volume.write(path, 5_100)
        pair.volume.write(path.rpartition("/")[0] + "/~new.tmp", 100)
    return judged(pair)


@pytest.mark.parametrize(
    ("path", "level"),
    [
        (f"{PROFILE}/key4.db", "review"),
        (f"{PROFILE}/abook.sqlite", "review"),
        (f"{PROFILE}/Mail/pop/Customers", "stop"),
        ("/Users/orla/AppData/Local/Browser/User Data/Default/Bookmarks", "review"),
        ("/Users/orla/AppData/Local/Notes/notes.db", "review"),
        ("/Users/orla/AppData/Local/Temp/offer.docx", "review"),
        ("/ProgramData/Till/sales.dat", "review"),
    ],
)
def test_compare_when_what_a_program_keeps_is_lost_then_later_writing_does_not_hide_it(
    path: str, level: str
) -> None:
    """It was made before the moment, so that no later use made it: named, not among the notes.

    Mailboxes are files without an ending, named by their owner (common practice).
    """
    comparison = lost_then_written({path: None})
    found = [(item.level.value, item.path) for item in comparison.findings]
    assert (level, path) in found
    assert path not in {row.path for row in comparison.later}


def test_compare_when_a_cache_is_made_again_then_it_is_later_use() -> None:
    """The quiet twin: programs delete what they have loaded, and make it again."""
    path = "/Users/orla/AppData/Local/Browser/User Data/Default/Cache/f_1"
    comparison = lost_then_written({path: None})
    assert [row.what for row in comparison.later if row.path == path] == ["written"]
    assert {item.level.value for item in comparison.findings} == {"note"}


def test_compare_when_a_document_in_temp_was_lost_then_it_is_named() -> None:
    """Temporary files may lack; a document that was opened from a mail may be the only copy."""
    pair = Running("windows", 20, innocent=60)
    paths = [f"/Users/orla/AppData/Local/Temp/{name}" for name in ("offer.docx", "~DF1.TMP")]
    pair.volume.rows |= {path: pair.volume.new("file", path) for path in paths}
    for path in paths:
        pair.volume.rows[path].created = NOW - DAY
        pair.volume.rows[path].modified = pair.volume.rows[path].changed = NOW - DAY
    found = [(item.level.value, item.path) for item in judged(pair).findings]
    assert ("review", paths[0]) in found
    assert ("note", paths[1]) in found


def test_compare_when_a_program_lacks_on_a_drive_that_was_used_then_it_is_asked() -> None:
    """A started system deletes its own files; one that the clone lost looks the same."""
    pair = Running("windows", 21, innocent=6)
    pair.copy = {path: replace(row) for path, row in pair.volume.rows.items()}
    pair.volume, pair.copy = replace(pair.volume, rows=pair.copy), pair.volume.rows
    path = "/Windows/System32/drivers/7.sys"
    new = replace(pair.volume, rows=pair.copy)
    _missing(pair, path)
    new.clock += DAY
    new.write("/Windows/System32/drivers/new.sys", 10)
    found = [(item.level.value, item.path) for item in judged(pair).findings]
    assert ("review", path) in found


def test_compare_when_an_older_file_replaced_one_then_the_new_drive_was_not_used() -> None:
    """Restored from a backup onto the old drive: the new drive has the later date, and no use."""
    pair = Running("windows", 22, innocent=60)
    path = pair.untouched(["/Users/orla/Documents/x"])[0]
    pair.volume.clock += DAY
    pair.volume.write(path, 100)
    pair.volume.rows[path].modified = NOW - 900 * DAY
    comparison = judged(pair)
    assert [row.side for row in comparison.later if row.path == path] == ["source"]
    assert "target-used-since" not in {item.rule for item in comparison.findings}


def test_compare_when_a_document_got_a_second_name_then_it_is_not_missing() -> None:
    """A hard link that was made after the clone: the new drive has the file (link(2): ctime)."""
    pair = Running("windows", 23, innocent=60)
    path = pair.untouched(["/Users/orla/Documents/x"])[0]
    pair.volume.clock += DAY
    other = "/Users/orla/Desktop/linked.docx"
    row = pair.volume.rows[path]
    row.links, row.changed = 2, pair.volume.clock
    pair.volume.touch_folder(other)
    pair.volume.rows[other] = replace(row, path=other)
    comparison = judged(pair)
    assert stops(comparison) == []
    assert [row.earlier_path for row in comparison.later if row.path == other] == [path]
    pair.volume.rows[path].changed = pair.volume.rows[other].changed = pair.copy[path].changed
    assert ("file-missing", other) in stops(judged(pair))


def a_stick(kind: str = "fat32") -> Running:
    """Return a stick with photographs of many years, all put there on one day, then copied.

    Microsoft, FAT specification: creation and modification times, none of change; whoever copies a
    file in keeps the latter (common practice).
    """
    pair = Running("data", 24, innocent=6)
    rows = pair.volume.rows
    for row in rows.values():
        row.changed, row.created = None, NOW
        row.modified = NOW if row.kind == "folder" else NOW - (900 + row.node % 300) * DAY
    pair.copy = {path: replace(row) for path, row in rows.items()}
    pair.kind = kind
    return pair


def judged_stick(pair: Running) -> Comparison:
    """Compare both sides as volumes of the pair's kind."""
    old, new = (replace(side, kind=pair.kind) for side in pair.sides())
    return compare(old.manifest("old"), new.manifest("new"), FILE_RULES)


@pytest.mark.parametrize("kind", ["fat32", "exfat"])
def test_compare_when_a_stick_lost_its_newest_photograph_then_it_is_stop(kind: str) -> None:
    """No date is newer, but all was there when the newest was put there."""
    pair = a_stick(kind)
    assert judged_stick(pair).findings == ()
    path = max((row.modified or 0, path) for path, row in pair.copy.items() if row.size)[1]
    _missing(pair, path)
    comparison = judged_stick(pair)
    assert ("file-missing", path) in stops(comparison)
    assert "source-used-since" not in {item.rule for item in comparison.findings}
    assert comparison.moments[0].copied == NOW


@pytest.mark.parametrize("kind", ["fat32", "exfat"])
def test_compare_when_an_old_photograph_was_put_on_a_stick_then_it_came_later(kind: str) -> None:
    """Its date is that of the camera; when it came is when it was created there."""
    pair = a_stick(kind)
    late = "/photos/2019/late.jpg"
    pair.volume.rows[late] = replace(
        pair.volume.rows["/photos/2019/3.jpg"], path=late, node=90_000, created=NOW + DAY
    )
    comparison = judged_stick(pair)
    assert stops(comparison) == []
    assert [row.path for row in comparison.later] == [late]


def test_compare_when_files_of_a_stick_were_copied_one_by_one_then_dates_alone_tell() -> None:
    """All are created anew: the moment is recognised by modification times, as far as they go."""
    pair = a_stick()
    for row in pair.copy.values():
        row.created = NOW + 2 * DAY
    comparison = judged_stick(pair)
    assert stops(comparison) == []
    assert "target-used-since" not in {item.rule for item in comparison.findings}


def test_compare_when_a_file_was_moved_then_the_copy_was_not_made_part_by_part() -> None:
    """Into a folder older than itself; an earlier version elsewhere stays the clone's fault."""
    pair = Running("windows", 25, innocent=60)
    pair.volume.clock = NOW + DAY
    for name in ("fresh", "other", "last"):
        pair.volume.write(f"/Users/orla/Documents/{name}.docx", 500)
        pair.volume.clock += 60 * 10**9
    pair.copy = {path: replace(row) for path, row in pair.volume.rows.items()}
    pair.volume.clock += DAY
    pair.volume.rename("/Users/orla/Documents/fresh.docx", "/Projects/bridge/fresh.docx")
    assert stops(judged(pair)) == []
    assert judged(pair).moments[0].copied_from is None
    _earlier(pair, "/Users/orla/Documents/other.docx")
    assert [path for _, path in stops(judged(pair))] == ["/Users/orla/Documents/other.docx"]


@pytest.mark.parametrize("folder", ["History", "Cookies", "Thesis.part", "Letters"])
def test_compare_when_a_folder_of_a_person_is_lost_then_its_name_excuses_nothing(
    folder: str,
) -> None:
    """Browsers call files so as well; it was written later, and so was the folder that it is in."""
    pair = Running("windows", 26, innocent=60)
    path = f"/Users/orla/Documents/{folder}"
    pair.volume.clock = NOW - 30 * DAY
    pair.volume.write(f"{path}/essay.docx", 500)
    pair.copy = {
        name: replace(row) for name, row in pair.volume.rows.items() if not name.startswith(path)
    }
    pair.volume.clock = NOW + 4 * DAY
    pair.volume.write(f"{path}/essay.docx", 600)
    pair.volume.write(f"{path}/next.docx", 600)
    pair.volume.write("/Users/orla/Documents/plan.docx", 600)
    lost = [place for rule, place in stops(judged(pair)) if rule == "file-missing"]
    assert lost in ([path], [f"{path}/essay.docx"])
