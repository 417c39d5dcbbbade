"""The number of files is different on the new drive.

## What it compares
How many files and folders each drive's listing counted in its partition, against each other and
against what was found missing and further by name.

## Why it matters
A count is the plainest evidence there is, and it is taken apart from the comparison by name: if
the two do not add up, one of them is wrong.

## Levels
- `stop` or `review`: what `file-missing` finds of those that lack.
- `note`: the difference is made of further files, of files that copies leave out, or of what was
  put on the old drive after the clone.
- not examined: a listing that could not be read, or not to its end.

## What to do
See the rules that the advice names: they list what was counted on one drive only.

## Sources
Arithmetic on both listings.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.contents.pairs import compared_files
from verify.rules.rule import Area, Level, Rule
from verify.text.message import Message, joined, say

if TYPE_CHECKING:
    from verify.manifest.partition_contents import Listing
    from verify.matching.pair_contents import PairContents, Since
    from verify.rules.rule import Case, RuleAnswer

_LATER: dict[Since, str] = {"source": "source-used-since", "target": "target-used-since"}


def judge(case: Case, answer: RuleAnswer) -> None:
    """Compare the counts of every pair."""
    listings = {
        pair.number: (pair.both[0].listing, pair.both[1].listing)
        for pair in case.pairs
        if pair.both is not None
    }
    for number, files in compared_files(case, answer):
        old, new = listings[number]
        if old is None or new is None:
            continue
        answer.compared(_nodes(old) + _nodes(new))
        _judge_pair(answer, number, files, (old, new))


def _judge_pair(
    answer: RuleAnswer, number: int, files: PairContents, listings: tuple[Listing, Listing]
) -> None:
    old, new = listings
    if _nodes(new) - _nodes(old) != files.extra.count - files.missing.count:
        answer.find(
            Level.STOP,
            say(
                "The file counts of partition {number} do not agree with its file lists.",
                number=number,
            ),
            say("Capture both drives again; these manifests contradict themselves."),
            partition=number,
            source=_nodes(old),
            target=_nodes(new),
        )
        return
    if (old.files, old.folders) == (new.files, new.folders):
        return
    levels = [meaning.level for meaning in files.missing.told()]
    answer.find(
        min(levels, key=lambda level: level.weight, default=Level.NOTE),
        say(
            "Partition {number} has {files} files in {folders} folders on the old drive,"
            " {new_files} in {new_folders} on the new one.",
            number=number,
            files=old.files,
            folders=old.folders,
            new_files=new.files,
            new_folders=new.folders,
        ),
        _advice(files),
        partition=number,
        source=old.files,
        target=new.files,
    )


def _advice(files: PairContents) -> Message:
    """Return where the names are, by the rules that have them."""
    rules: dict[str, None] = {}
    for rule, differences in (
        ("file-missing", files.missing),
        ("file-extra", files.extra),
        ("file-content", files.changed),
        ("file-links", files.relinked),
    ):
        if differences is files.changed and not _of_another_kind(files):
            continue
        for meaning in sorted(differences.bags, key=lambda item: item.level.weight):
            later = None if meaning.since is None else _LATER[meaning.since]
            rules[later or ("file-expected-change" if meaning.expected else rule)] = None
    return say("See {rules} for the names.", rules=joined(rules))


def _of_another_kind(files: PairContents) -> bool:
    """Whether a file became a folder or the like, which changes both counts."""
    both = [(item.source, item.target) for item in files.changed.kept]
    return any(old and new and old.kind != new.kind for old, new in both)


def _nodes(listing: Listing) -> int:
    return listing.files + listing.folders + listing.links + listing.others


RULE = Rule(
    slug="file-count",
    area=Area.CONTENTS,
    required=True,
    judge=judge,
    nothing=say("no partition has files that can be listed"),
    page=cleandoc(__doc__),
)
