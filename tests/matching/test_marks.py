"""Links, owners, attributes and times of files: each mark fires, and its quiet twin is quiet.

Levels are the rules' pages'; flags are those of [MS-FSCC] 2.6.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from tests.rules.contents.drives import (
    OTHER,
    SECOND,
    TODAY,
    YESTERDAY,
    Side,
    a_file,
    a_folder,
    judged,
    outcomes,
    told,
)
from verify.filesystem.entry import CASE_SENSITIVE, Entry
from verify.rules.contents import (
    file_attributes,
    file_content,
    file_links,
    file_missing,
    file_security,
    file_times,
)

if TYPE_CHECKING:
    from verify.rules.rule import Rule

RULES = [file_times.RULE, file_security.RULE, file_links.RULE, file_attributes.RULE]
CLOUD, RECALLED = "9000301A", 0x400000


def marked(path: str = "/Users/orla/one.txt", **more: Any) -> Entry:
    """Return a file with everything that can be compared."""
    marks: dict[str, Any] = {
        "created": YESTERDAY,
        "changed": YESTERDAY,
        "owner": "S-1-5-21-1",
        "security": "ab" * 8,
        "attributes": 0x20,
        "links": 2,
        "short": "ONE~1.TXT",
    }
    return a_file(path, **(marks | more))


def unix(**more: Any) -> Entry:
    """Return a file as ext keeps it."""
    fields: dict[str, Any] = {"mode": 0o755, "owner": "0:0", "attributes": 0, "created": YESTERDAY}
    return a_file("/usr/bin/ping", **(fields | more))


def compared(rule: Rule, old: Entry, new: Entry) -> list[tuple[str, str | None]]:
    """Return what a rule tells of one file."""
    return told(judged(rule, Side([old]), Side([new])))


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.slug)
@pytest.mark.parametrize("entry", [marked(), replace(unix(), links=2)], ids=["ntfs", "ext"])
def test_marks_when_they_are_the_same_then_every_rule_is_quiet(rule: Rule, entry: Entry) -> None:
    """The quiet twin of every case here: something was compared, and nothing told."""
    comparison = judged(rule, Side([entry]), Side([replace(entry, node=99)]))
    assert outcomes(comparison) == ["same"]
    assert comparison.outcomes[0].compared > 0


@pytest.mark.parametrize(
    ("rule", "old", "change", "level"),
    [
        (file_security.RULE, marked(), {"owner": "S-1-5-18"}, "review"),
        (file_security.RULE, marked(), {"security": "cd" * 8}, "review"),
        (file_security.RULE, marked(), {"security": "ab" * 8 + " protected"}, "review"),
        (file_security.RULE, unix(), {"owner": "1000:0"}, "review"),
        (file_security.RULE, unix(), {"mode": 0o700}, "review"),
        (file_security.RULE, unix(), {"mode": 0o4755}, "review"),
        (file_security.RULE, unix(), {"extended": [("security.capability", "01")]}, "review"),
        (file_security.RULE, unix(), {"extended": [("user.comment", "01")]}, "review"),
        (file_security.RULE, unix(), {"extended": [("system.posix_acl_access", "1")]}, "review"),
        (file_attributes.RULE, marked(), {"attributes": 0x22}, "review"),
        (file_attributes.RULE, marked(), {"attributes": 0x4020}, "review"),
        (file_attributes.RULE, marked(), {"attributes": 0x820}, "note"),
        (file_attributes.RULE, marked(), {"short": None}, "review"),
        (file_attributes.RULE, unix(), {"attributes": 0x10}, "review"),
        (file_times.RULE, marked(), {"modified": TODAY}, "review"),
        (file_times.RULE, marked(), {"created": TODAY}, "review"),
        (file_times.RULE, marked(), {"changed": TODAY}, "review"),
    ],
)
def test_mark_when_it_differs_then_one_sentence_tells_it(
    rule: Rule, old: Entry, change: dict[str, Any], level: str
) -> None:
    """In both directions."""
    new = replace(old, **change)
    for pair in ((old, new), (new, old)):
        assert [found for found, _ in compared(rule, *pair)] == [level]


@pytest.mark.parametrize(
    ("rule", "change"),
    [
        (file_attributes.RULE, {"attributes": 0}),  # the archive bit
        (file_times.RULE, {"modified": YESTERDAY + 2 * SECOND}),
        (file_times.RULE, {"created": None}),
    ],
)
def test_mark_when_it_means_nothing_then_it_is_quiet(rule: Rule, change: dict[str, Any]) -> None:
    """The archive bit, FAT's two seconds, a time that one side does not keep."""
    assert compared(rule, marked(), replace(marked(), **change)) == []


@pytest.mark.parametrize("path", ["/pagefile.sys", "/Boot/BCD", "/Windows/Logs/a.log"])
@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.slug)
def test_marks_when_a_clone_or_a_system_rewrites_a_file_then_they_are_quiet(
    rule: Rule, path: str
) -> None:
    """What is expected to be another file has other marks."""
    new = marked(path, modified=TODAY, created=TODAY, owner="S-1", attributes=0x826, short=None)
    assert compared(rule, marked(path), new) == []


def test_security_when_8000_files_differ_then_it_is_one_sentence() -> None:
    """Many folders, one meaning, one sentence; its number in it."""
    paths = [f"/Users/u{number % 90}/x/{number}/a.txt" for number in range(8_000)]
    old = [marked(path) for path in paths]
    new = [marked(path, owner="S-1-5-18") for path in paths]
    comparison = judged(file_security.RULE, Side(old), Side(new))
    assert len(comparison.findings) == 1
    assert "8000 files" in comparison.findings[0].message


def test_security_when_one_side_tells_no_owner_then_it_was_not_examined() -> None:
    """Absence of evidence is reported."""
    new = marked(owner=None, security=None)
    comparison = judged(file_security.RULE, Side([marked()]), Side([new]))
    assert outcomes(comparison) == ["not_examined"]


def test_links_when_two_names_became_two_files_then_the_second_is_told() -> None:
    """Names that shared node 7 stand in nodes 7 and 8; the reverse is reported as well."""
    old = [marked("/a", node=7), marked("/b", node=7)]
    new = [marked("/a", node=7), marked("/b", node=8)]
    separated = judged(file_links.RULE, Side(old), Side(new))
    assert told(separated) == [("review", "/b")]
    assert "a separate copy on the new one" in separated.findings[0].message
    joined = judged(file_links.RULE, Side(new), Side(old))
    assert told(joined) == [("review", "/b")]
    assert "changing one now changes" in joined.findings[0].advice


def test_links_when_all_nodes_are_renumbered_then_it_is_quiet() -> None:
    """Record numbers are nobody's business; what counts is which names share one."""
    old = [marked("/a", node=7), marked("/b", node=7), marked("/c", node=8)]
    new = [replace(item, node=100 - item.node) for item in old]
    assert told(judged(file_links.RULE, Side(old), Side(new))) == []


LINK = Entry("link", "/home/link", modified=YESTERDAY, node=5, target="here")
JUNCTION = replace(a_folder("/data"), reparse="A0000003", target="\\??\\C:\\x")


@pytest.mark.parametrize(
    ("old", "new", "level"),
    [
        (LINK, replace(LINK, target="there"), "stop"),
        (LINK, replace(LINK, target="there", modified=TODAY), "review"),
        (LINK, a_file("/home/link"), "review"),
        (a_file("/home/link"), LINK, "stop"),
        (JUNCTION, replace(JUNCTION, target="\\??\\D:\\x"), "stop"),
        (JUNCTION, a_folder("/data"), "review"),
        (a_folder("/data"), JUNCTION, "stop"),
        (JUNCTION, replace(JUNCTION, reparse="A000000C"), "review"),
    ],
)
def test_links_when_one_is_another_or_none_then_it_is_told(
    old: Entry, new: Entry, level: str
) -> None:
    """By this rule alone, at every depth."""
    assert compared(file_links.RULE, old, new) == [(level, old.path)]
    assert compared(file_content.RULE, old, new) == []


def test_times_when_most_were_reset_then_it_is_one_finding_with_the_days() -> None:
    """YESTERDAY is 2023-11-14, TODAY one day later (`date -u -d @1700086400`)."""
    old = [marked(f"/Users/{number}") for number in range(100)]
    new = [replace(item, modified=TODAY) for item in old]
    comparison = judged(file_times.RULE, Side(old), Side(new))
    assert told(comparison) == [("review", None)]
    assert "100 of 100 files" in comparison.findings[0].message
    assert "all on 2023-11-15" in comparison.findings[0].message


def test_times_when_a_few_differ_then_reading_decides_the_level() -> None:
    """Read on both sides and alike: a note. Not read: the contents may be others."""
    old = [marked(f"/Users/{number}") for number in range(100)]
    new = [replace(old[0], modified=TODAY), *old[1:]]
    assert told(judged(file_times.RULE, Side(old), Side(new))) == [("note", "/Users/0")]
    new[0] = replace(new[0], digest=None)
    assert told(judged(file_times.RULE, Side(old), Side(new))) == [("review", "/Users/0")]


def test_times_when_the_contents_differ_then_others_tell_it() -> None:
    """A changed file is reported by `file-content` alone."""
    new = marked(modified=TODAY, digest=OTHER)
    assert compared(file_times.RULE, marked(), new) == []


def test_attributes_when_contents_are_in_a_cloud_then_it_is_told_once_with_their_number() -> None:
    """A caution, and no finding: a good clone has the same placeholders."""
    entries = [
        marked("/a", attributes=0x20 | RECALLED),
        marked("/b", reparse=CLOUD),
        marked("/c"),
    ]
    comparison = judged(file_attributes.RULE, Side(entries), Side(entries))
    assert comparison.findings == ()
    assert outcomes(comparison) == ["not_examined"]
    assert "2 files" in (comparison.outcomes[0].reason or "")


def test_attributes_when_a_folder_tells_case_apart_on_one_drive_then_it_is_told() -> None:
    """Programs made for one way find other files, or none, in the other."""
    apart = marked("/src", attributes=0x20 | CASE_SENSITIVE)
    plain = replace(apart, attributes=0x20)
    assert compared(file_attributes.RULE, apart, plain) == [("review", "/src")]
    assert compared(file_attributes.RULE, plain, apart) == [("review", "/src")]
    assert compared(file_attributes.RULE, apart, apart) == []


def test_attributes_when_files_are_encrypted_then_the_key_is_remembered() -> None:
    """The caution stands beside `same`."""
    entry = marked(attributes=0x4020)
    comparison = judged(file_attributes.RULE, Side([entry]), Side([entry]))
    assert outcomes(comparison) == ["same"]
    assert "1 file of" in (comparison.outcomes[0].reason or "")


def test_missing_when_the_old_drive_has_a_link_then_it_is_still_missing() -> None:
    """A link that lacks is reported by `file-missing`, as before."""
    comparison = judged(file_missing.RULE, Side([LINK, a_file("/x")]), Side([a_file("/x")]))
    assert told(comparison) == [("stop", "/home/link")]
