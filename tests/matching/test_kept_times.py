"""What volumes keep beside the times of their files, and what the moment of the clone owes to it.

Each pair is played (`running_pairs`), so that the true moment is known by construction; only what
the headers keep is set by hand.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from tests.matching.running_pairs import DAY, HOUR, NOW, Running
from tests.matching.test_moment import FILE_RULES, stops
from tests.rules.contents.drives import SECOND
from verify.filesystem.description import ChangeJournal, KeptTime
from verify.rules.judge_drives import compare

if TYPE_CHECKING:
    from verify.filesystem.description import KeptBy
    from verify.manifest.file import Manifest
    from verify.rules.comparison_document import Comparison

LETTER = "/Users/orla/Documents/last-minute.docx"


def keeping(manifest: Manifest, **kept: Any) -> Manifest:
    """Return a manifest whose partition keeps something more."""
    partition = manifest.header.partitions[0].model_copy(update=kept)
    header = manifest.header.model_copy(update={"partitions": (partition,)})
    return replace(manifest, header=header)


def noted(at: int, identifier: str = "01D9ABCDEF012345") -> dict[str, ChangeJournal]:
    """Return a journal of changes whose newest note was made then."""
    return {"change_journal": ChangeJournal(id=identifier, position=at // DAY, written=at)}


def judged(pair: Running, old: dict[str, Any], new: dict[str, Any]) -> Comparison:
    """Compare both sides, each with what its header keeps."""
    source, target = pair.sides()
    both = keeping(source.manifest("old"), **old), keeping(target.manifest("new"), **new)
    return compare(*both, FILE_RULES)


def with_letter(seed: int) -> tuple[Running, int]:
    """Return a pair, and when a letter was written that its copy lacks: before all else later."""
    pair = Running("windows", seed, innocent=60)
    plain = judged(pair, {}, {})
    copied = plain.moments[0].copied
    assert copied is not None
    at = copied + SECOND // 2
    pair.volume.clock, end = at, pair.volume.clock
    pair.volume.write(LETTER, 100)
    pair.volume.clock = end
    return pair, at


def test_moment_when_the_journal_is_newer_than_all_files_then_it_tells() -> None:
    """A letter between the newest file of the copy and its newest note is reported by its name."""
    pair, at = with_letter(21)
    without = judged(pair, {}, {})
    assert LETTER in {row.path for row in without.later}
    noted_at = at + SECOND
    comparison = judged(pair, noted(NOW + 4 * DAY), noted(noted_at))
    moment = comparison.moments[0]
    assert (moment.copied, moment.kept_by) == (noted_at, "change-journal")
    told = {item.path: item.level.value for item in comparison.findings}
    assert told[LETTER] == "review"
    assert stops(comparison) == []


def test_moment_when_it_is_another_journal_then_it_tells_nothing() -> None:
    """A journal that was deleted and made anew has another identifier."""
    pair, at = with_letter(22)
    other = judged(pair, noted(NOW + 4 * DAY, "FF"), noted(at + SECOND))
    assert other.moments == judged(pair, {}, {}).moments


def test_moment_when_a_kept_time_is_wrong_then_it_stands() -> None:
    """Beyond what the check has reached, as after a clock that was wrong."""
    pair, _ = with_letter(23)
    late = noted(NOW + 3000 * DAY)
    assert judged(pair, late, late).moments == judged(pair, {}, {}).moments


def test_moment_when_the_new_drive_noted_later_then_it_was_used() -> None:
    """The mirror: written on the new drive alone."""
    pair, _ = with_letter(24)
    late = NOW + 4 * DAY
    moment = judged(pair, noted(NOW + 2 * DAY), noted(late)).moments[0]
    assert moment.target_used_from == late
    assert moment.kept_by is None


def test_moment_when_ext_was_mounted_or_checked_later_then_only_a_mount_is_use() -> None:
    """A check, a resize or a journal that is read back writes the superblock as well."""
    pair = Running("linux", 25, innocent=60)
    late = NOW + 4 * DAY

    def kept(**times: int) -> dict[str, Any]:
        header = pair.sides()[0].manifest("x").header
        names: dict[str, KeptBy] = {
            "mounted": "mounted",
            "checked": "checked",
            "wrote": "superblock",
        }
        rows = tuple(KeptTime(by=names[by], at=at, step=SECOND) for by, at in times.items())
        return {"filesystem": replace(header.partitions[0].filesystem, kept=rows)}

    plain = judged(pair, {}, {}).moments[0]
    before = kept(mounted=NOW, checked=NOW, wrote=NOW + HOUR)
    checked = judged(pair, before, kept(mounted=NOW, checked=late, wrote=late)).moments[0]
    assert (checked.copied, checked.target_used_from) == (plain.copied, None)
    assert {row.by for row in checked.evidence} == {"mounted", "checked", "superblock"}
    mounted = judged(pair, before, kept(mounted=late, checked=NOW, wrote=late))
    assert mounted.moments[0].target_used_from == late
    used = [item for item in mounted.findings if item.rule == "target-used-since"]
    assert [item.level.value for item in used] == ["note"]


def test_moment_when_an_archive_set_the_times_of_files_then_it_stands() -> None:
    """Unpacked with dates of tomorrow, and of long ago: the time of change is the system's own."""
    pair = Running("windows", 26, innocent=60)
    before = judged(pair, {}, {}).moments
    paths = pair.untouched(["/Users/orla/Documents/x"])[:2]
    for path, at in zip(paths, (NOW + 3 * DAY, NOW - 9000 * DAY), strict=True):
        for rows in (pair.volume.rows, pair.copy):
            rows[path].modified = at
    comparison = judged(pair, {}, {})
    assert comparison.moments == before
    assert stops(comparison) == []
