"""Good clones of every kind are sound: nobody is cried wolf at.

The drives are made by ordinary filesystem tools; that the clones are good is how they were made.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.end_to_end.checking import captured, check, crashed, elsewhere, worst
from tests.support import pairs
from verify.capture.options import CaptureOptions
from verify.rules.judge_drives import compare

pytestmark = pytest.mark.tools(*pairs.TOOLS)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pairs.Pair]:
    """Make every pair once."""
    return {
        kind: pairs.make_pair(kind, tmp_path_factory.mktemp(kind)) for kind in pairs.SOUND_PAIRS
    }


@pytest.mark.parametrize("kind", pairs.SOUND_PAIRS)
def test_check_when_the_clone_is_good_then_it_is_sound(
    kind: str, made: dict[str, pairs.Pair]
) -> None:
    """With notes at most, no crash, and every file of so small a drive hashed."""
    pair = made[kind]
    comparison = check(pair.source, pair.target)
    assert comparison.verdict == "sound", comparison.summary
    assert set(worst(comparison).values()) <= {"note"}
    assert crashed(comparison) == []
    assert comparison.evidence.bound is not None
    assert comparison.evidence.bound.files_at_most == 0
    assert comparison.evidence.files_hashed > 100


@pytest.mark.parametrize("kind", ["shrunk", "mbr", "ext4"])
def test_check_when_everything_is_hashed_then_it_is_sound_as_well(
    kind: str, made: dict[str, pairs.Pair]
) -> None:
    """Depth `full`."""
    pair = made[kind]
    assert check(pair.source, pair.target, CaptureOptions(depth="full")).verdict == "sound"


def test_check_when_only_layouts_are_read_then_a_good_clone_is_not_sound(
    made: dict[str, pairs.Pair],
) -> None:
    """No contents were looked at: `review`, and the rule says so."""
    pair = made["same-size"]
    comparison = check(pair.source, pair.target, CaptureOptions(depth="layout"))
    assert comparison.verdict == "review"
    open_rules = [item.rule for item in comparison.outcomes if item.outcome == "not_examined"]
    assert "file-content" in open_rules


def test_check_when_one_file_is_given_twice_then_only_that_is_told(
    made: dict[str, pairs.Pair],
) -> None:
    """One file on both sides: `drive-same` and nothing else."""
    source = made["same-size"].source
    comparison = check(source, source)
    assert worst(comparison) == {"drive-same": "stop"}


def test_check_when_a_copy_stands_elsewhere_then_nothing_is_told(
    made: dict[str, pairs.Pair], tmp_path: Path
) -> None:
    """A byte-for-byte copy is a good clone, without so much as a note."""
    source = made["same-size"].source
    copy = Path(shutil.copyfile(source, tmp_path / "copy.img"))
    comparison = check(source, copy)
    assert comparison.findings == ()
    assert comparison.verdict == "sound"


@pytest.mark.parametrize("kind", ["shrunk", "ext4", "sectors-4096"])
def test_compare_when_both_sides_are_alike_then_nothing_is_told(
    kind: str, made: dict[str, pairs.Pair], tmp_path: Path
) -> None:
    """The target of a pair against its own copy."""
    target = captured(made[kind].target, tmp_path)
    assert compare(target, elsewhere(target)).findings == ()


@pytest.mark.parametrize("kind", ["shrunk", "without-page-files", "larger"])
def test_check_when_the_sides_are_swapped_then_the_outcomes_mirror(
    kind: str, made: dict[str, pairs.Pair], tmp_path: Path
) -> None:
    """Which rules find a difference does not depend on the side; levels may."""
    pair = made[kind]
    old, new = captured(pair.source, tmp_path), captured(pair.target, tmp_path)
    forward, backward = compare(old, new), compare(new, old)
    # NOTE: what is missing on one side is further on the other.
    mirrored = {
        "file-missing": "file-extra",
        "file-extra": "file-missing",
        "source-used-since": "target-used-since",
        "target-used-since": "source-used-since",
    }
    one = {item.rule for item in forward.outcomes if item.outcome == "different"}
    other = {item.rule for item in backward.outcomes if item.outcome == "different"}
    assert {mirrored.get(rule, rule) for rule in one} == other
