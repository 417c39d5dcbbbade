"""A verdict is earned: what keeps it from `sound`, and that its sentence says the same."""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction
from math import comb
from typing import TYPE_CHECKING, Any, Literal, cast

import pytest

from tests.rules.cases import case_of, compared, drive, usual
from tests.rules.contents.drives import SAME, Side, a_file, a_folder, judged, told
from verify.manifest.row import Block
from verify.matching.bound import sample_bound
from verify.matching.pair_contents import ContentComparison
from verify.report.evidence import evidence_lines
from verify.rules.catalogue import RULES
from verify.rules.contents import file_count
from verify.rules.engine import judge
from verify.rules.judge_drives import compare
from verify.rules.rule import Level, Outcome, Result

if TYPE_CHECKING:
    from verify.manifest.file import Manifest
    from verify.matching.pair_contents import PairContents
    from verify.rules.comparison_document import Comparison
    from verify.rules.rule import Case, Rule

REQUIRED = [rule.slug for rule in RULES if rule.required]
GOOD = drive(usual())


class Answering:
    """A rule in the place of another one, which answers `same`, nothing at all, or fails."""

    def __init__(self, of: Rule, how: str) -> None:
        """Stand in the place of a rule."""
        self.slug, self.required, self.how = of.slug, of.required, how

    def __call__(self, _: Case) -> tuple[tuple[Outcome, ...], tuple[()]]:
        """Answer."""
        if self.how == "crashed":
            raise ZeroDivisionError
        same = (Outcome(rule=self.slug, outcome=Result.SAME, compared=1),)
        return same if self.how == "same" else (), ()


def with_one(slug: str, how: str) -> list[Rule]:
    """Return the catalogue where every rule answers `same`, but one."""
    rules = [Answering(rule, how if rule.slug == slug else "same") for rule in RULES]
    return cast("list[Rule]", rules)


def test_verdict_when_every_rule_answers_same_then_it_is_sound() -> None:
    """So that what keeps it from `sound` below is the one rule."""
    assert judge(case_of(GOOD, GOOD), with_one("", "same")).verdict == "sound"


@pytest.mark.parametrize("how", ["crashed", "silent"])
@pytest.mark.parametrize("slug", REQUIRED)
def test_verdict_when_a_required_rule_crashes_or_is_silent_then_it_is_not_sound(
    slug: str, how: str
) -> None:
    """Absence of evidence is an outcome: `review`, and the rule is named."""
    judgement = judge(case_of(GOOD, GOOD), with_one(slug, how))
    assert judgement.verdict == "review"
    assert [gap.rule for gap in judgement.gaps] == [slug]


@pytest.mark.parametrize("slug", [rule.slug for rule in RULES if not rule.required][:1])
def test_verdict_when_another_rule_is_silent_then_it_stays_sound(slug: str) -> None:
    """Only what `sound` needs keeps the verdict from it."""
    assert judge(case_of(GOOD, GOOD), with_one(slug, "silent")).verdict == "sound"


def of_kind(kind: Literal["image", "device"], manifest: Manifest) -> Manifest:
    """Return the manifest as that of an image or a device."""
    drive = manifest.header.drive.model_copy(update={"kind": kind})
    return replace(manifest, header=manifest.header.model_copy(update={"drive": drive}))


FILES = [a_folder("/a"), *(a_file(f"/a/{number:03}.txt") for number in range(40))]
OPENING = {
    "stop": "Do not wipe the old drive",
    "review": "A person has to decide",
    "sound": "No reason found to keep the old drive",
}
"""How the sentence of each verdict begins."""


def quiet(manifest_pair: tuple[Manifest, Manifest], slug: str, how: str) -> Comparison:
    """Compare by a catalogue where every rule answers `same`, but one."""
    return compare(*manifest_pair, rules=with_one(slug, how))


@pytest.mark.parametrize("verdict", OPENING)
def test_sentence_when_there_is_a_verdict_then_it_says_that_and_nothing_else(verdict: str) -> None:
    """A `stop` never says that nothing forbids wiping, whatever else is in it."""
    pair = of_kind("device", Side(FILES).manifest("old")), Side(FILES).manifest("new")
    if verdict == "stop":
        less = [item for item in FILES if item.path != "/a/007.txt"]
        comparison = compare(pair[0], Side(less).manifest("new"))
        assert Level.STOP in {row.level for row in comparison.findings}
    else:
        comparison = quiet(pair, REQUIRED[0], "crashed" if verdict == "review" else "same")
    assert comparison.verdict == verdict
    said = [name for name, words in OPENING.items() if words in comparison.summary]
    assert said == [verdict]


@pytest.mark.parametrize("verdict", OPENING)
def test_sentence_when_the_old_side_is_an_image_then_no_drive_is_spoken_of(verdict: str) -> None:
    """Nobody read a drive, so nothing is said about keeping or wiping one."""
    old = of_kind("image", Side(FILES).manifest("old"))
    less = [item for item in FILES if item.path != "/a/007.txt"]
    new = Side(less if verdict == "stop" else FILES).manifest("new")
    how = "crashed" if verdict == "review" else "same"
    comparison = compare(old, new) if verdict == "stop" else quiet((old, new), REQUIRED[0], how)
    assert comparison.verdict == verdict
    assert comparison.summary.startswith("An image, not a drive: ")
    assert not re.search("wip|the old drive", comparison.summary)


def test_sentence_when_only_a_sample_was_read_then_all_contents_is_not_said() -> None:
    """One of 40 files was read: the sentence carries the bound; so where only blocks were drawn."""
    unread = [FILES[0], FILES[1], *(replace(item, digest=None) for item in FILES[2:])]
    sampled = Side(unread, depth="sample"), Side(unread, depth="sample")
    said = quiet((sampled[0].manifest("old"), sampled[1].manifest("new")), "", "same").summary
    assert "all contents" not in said
    assert "only a sample was read: at most" in said
    whole = Side(FILES), Side(FILES)
    said = quiet((whole[0].manifest("old"), whole[1].manifest("new")), "", "same").summary
    assert "all contents that could be read on both were compared" in said


@pytest.mark.parametrize(("count", "words"), [(1, "1 file"), (2, "2 files"), (0, "0 files")])
def test_evidence_when_files_are_counted_then_one_is_in_the_singular(
    count: int, words: str
) -> None:
    """Both of what was listed and of what was read."""
    old, new = Side(FILES), Side(FILES)
    comparison = quiet((old.manifest("old"), new.manifest("new")), "", "same")
    numbers = {"files_listed": count, "files_hashed": count}
    evidence = comparison.evidence.model_copy(update=numbers)
    said = next(evidence_lines(comparison.model_copy(update={"evidence": evidence})))
    assert said.startswith(f"{words} listed on both drives together. ")
    assert f"compared: {words}, and blocks" in said


def test_sentence_when_only_blocks_of_a_raw_partition_were_drawn_then_it_names_the_bytes() -> None:
    """No file lacks a digest, and yet most of the bytes were not read."""
    blocks = [Block(number, SAME) for number in range(3)]
    sides = (Side(blocks=blocks, raw=True, kind="xfs", depth="sample") for _ in range(2))
    old, new = sides
    said = quiet((old.manifest("old"), new.manifest("new")), "", "same").summary
    assert "all contents" not in said
    assert "could still differ" in said


def hypergeometric_most(population: int, drawn: int, found: int, doubt: Fraction) -> int:
    """Return the largest number of bad ones that the draw leaves possible, by its definition.

    D is excluded where the chance of at most `found` among `drawn` is at most `doubt`
    (hypergeometric distribution, summed term by term).
    """

    def chance(bad: int) -> Fraction:
        ways = sum(comb(bad, hit) * comb(population - bad, drawn - hit) for hit in range(found + 1))
        return Fraction(ways, comb(population, drawn))

    open_ = [bad for bad in range(found, population - drawn + found + 1) if chance(bad) > doubt]
    return max(open_, default=found)


def drawn_pair(number: int, found: int, size: int) -> PairContents:
    """Return a pair of 200 files of one size, 60 of them drawn, so many found to differ."""
    pair = compared(number, drawn=60, drawn_mismatches=found)
    pair.totals.sizes.extend([size] * 200)
    return pair


def test_bound_when_something_was_found_then_the_doubt_is_shared_by_the_partitions() -> None:
    """Bonferroni: 5 % for two draws are 2.5 % each; found ones are not counted again."""
    pairs = {1: drawn_pair(1, 1, 1000), 2: drawn_pair(2, 0, 10)}
    bound = sample_bound(ContentComparison(pairs=pairs), 0.95)
    half = Fraction(25, 1000)
    one, two = hypergeometric_most(200, 60, 1, half) - 1, hypergeometric_most(200, 60, 0, half)
    whole = hypergeometric_most(200, 60, 1, 2 * half) - 1, hypergeometric_most(200, 60, 0, 2 * half)
    assert (one, two) != whole
    assert bound.files_at_most == one + two
    assert bound.bytes_at_most == one * 1000 + two * 10


def test_bound_when_nothing_was_found_then_each_partition_has_all_of_the_doubt() -> None:
    """The sum of both bounds; files at their largest, and blocks in bytes."""
    raw = compared(2, raw=True, block_population=300, blocks=100, block_bytes=4096)
    bound = sample_bound(ContentComparison(pairs={1: drawn_pair(1, 0, 1000), 2: raw}), 0.95)
    doubt = Fraction(5, 100)
    files, blocks = hypergeometric_most(200, 60, 0, doubt), hypergeometric_most(300, 100, 0, doubt)
    assert (bound.files_at_most, bound.blocks_at_most) == (files, blocks)
    assert bound.bytes_at_most == files * 1000 + blocks * 4096


def test_counts_when_they_contradict_the_names_then_nothing_is_proven() -> None:
    """A listing that counts one file more than it has rows: `stop`, on either side."""

    class Miscounted(Side):
        def manifest(self, name: str) -> Manifest:
            made: Any = super().manifest(name)
            (item,) = made.header.partitions
            assert item.listing is not None
            listing = replace(item.listing, files=item.listing.files + 1)
            header = made.header.model_copy(
                update={"partitions": (item.model_copy(update={"listing": listing}),)}
            )
            return cast("Manifest", replace(made, header=header))

    assert told(judged(file_count.RULE, Side(FILES), Side(FILES))) == []
    for sides in ((Side(FILES), Miscounted(FILES)), (Miscounted(FILES), Side(FILES))):
        found = judged(file_count.RULE, *sides).findings
        assert [row.level for row in found if row.rule == "file-count"] == [Level.STOP]
        assert "do not agree" in found[0].message
