"""`check` and `compare`: the verdict is the exit code, and the document is the contract's."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command

FINDING = {"rule", "level", "partition", "path", "source", "target", "message", "advice"}
"""Fields of a finding, as the contract has them; so below."""

OUTCOME = {"rule", "outcome", "compared", "reason"}
EVIDENCE = {"files_listed", "files_hashed", "bytes_hashed", "mismatches", "bound"}
BOUND = {"confidence", "files_at_most", "rate_at_most", "bytes_at_most"}
COMPARISON = {
    "schema",
    "verdict",
    "findings",
    "outcomes",
    "evidence",
    "source",
    "target",
    "tool",
}
EXITS = {"sound": 0, "review": 1, "stop": 3}


@pytest.mark.parametrize(("target", "verdict"), [("sound", "sound"), ("faulty", "stop")])
def test_check_when_a_clone_is_read_then_the_exit_is_its_verdict(
    target: str, verdict: str, drives: dict[str, Path], command: Command
) -> None:
    """The demo's sound clone is sound, its faulty one is stopped (fixtures/demo says why)."""
    ran = command("check", drives["old"], drives[target])
    assert ran.code == EXITS[verdict]
    assert ran.out.split()[:2] == [{"sound": "OK", "stop": "X"}[verdict], verdict.upper()]
    last = ran.out.split("\n\n")[-1]
    assert last.split()[:2] == ran.out.split()[:2]
    assert "Image:" in last
    assert ran.err == ""


def test_check_when_json_is_asked_then_one_document_of_the_contract_comes(
    drives: dict[str, Path], command: Command
) -> None:
    """Every field of the contract is there under its name; more may be."""
    ran = command("check", drives["old"], drives["faulty"], "--json")
    document = ran.document
    assert ran.code == EXITS[document["verdict"]] == 3
    assert document["schema"] == "drivewitness.comparison/1"
    assert set(document) >= COMPARISON
    assert all(set(row) >= FINDING for row in document["findings"])
    assert all(set(row) >= OUTCOME for row in document["outcomes"])
    assert set(document["evidence"]) >= EVIDENCE
    assert set(document["evidence"]["bound"]) >= BOUND
    assert set(document["tool"]) >= {"version", "rules"}
    assert {row["level"] for row in document["findings"]} <= {"stop", "review", "note"}
    assert ran.err == ""


def test_check_when_only_the_layout_is_read_then_it_is_never_sound(
    drives: dict[str, Path], command: Command
) -> None:
    """Nobody has looked at contents: a person must decide, and the evidence says none was read."""
    ran = command("check", drives["old"], drives["sound"], "--depth", "layout")
    assert ran.code == 1
    assert "Only files that the computer needs to start were read." in ran.out


def test_check_when_one_drive_is_given_twice_then_it_is_stopped(
    drives: dict[str, Path], manifest: Path, command: Command
) -> None:
    """A drive compared with itself would be the only one there is; so with a manifest."""
    for twice in (drives["old"], manifest):
        document = command("check", twice, twice, "--json").document
        assert [row["rule"] for row in document["findings"] if row["level"] == "stop"] == [
            "drive-same"
        ]


def test_check_when_done_then_both_drives_are_as_they_were(
    drives: dict[str, Path], command: Command
) -> None:
    """Not a byte is written: SHA-256 and modification time before and after."""
    before = [_state(path) for path in drives.values()]
    command("check", drives["old"], drives["faulty"], "--depth", "full")
    assert [_state(path) for path in drives.values()] == before


def _state(path: Path) -> tuple[str, int]:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest(), path.stat().st_mtime_ns


def test_check_when_a_side_is_a_manifest_then_the_other_is_drawn_alike(
    drives: dict[str, Path], manifest: Path, command: Command, tmp_path: Path
) -> None:
    """The manifest's key draws the other drive too, or the samples could not be held together."""
    kept = tmp_path / "kept"
    ran = command("check", manifest, drives["sound"], "--json", "--keep", kept)
    assert ran.code == 0
    files = sorted(kept.iterdir())
    headers = [command("show", file, "--json").document for file in files]
    assert [header["capture"]["seed"] for header in headers] == ["0badcafe", "0badcafe"]


def test_compare_when_two_manifests_are_given_then_no_drive_is_needed(
    drives: dict[str, Path], manifest: Path, command: Command, tmp_path: Path
) -> None:
    """A job is judged again from its manifests alone, with the same document."""
    new = tmp_path / "new.img"
    new.write_bytes(drives["faulty"].read_bytes())
    file = tmp_path / "new.manifest"
    assert command("capture", new, "-o", file, "--seed", "0badcafe").code == 0
    with_drive = command("check", manifest, new, "--json").document
    new.unlink()
    without = command("compare", manifest, file, "--json")
    assert without.code == 3
    for document in (with_drive, without.document):
        del document["target"]["captured"]
    assert without.document["findings"] == with_drive["findings"]
    assert without.document["evidence"] == with_drive["evidence"]


def test_compare_when_an_image_is_given_then_it_is_read(
    drives: dict[str, Path], manifest: Path, command: Command
) -> None:
    """A drive in the place of a manifest is fine."""
    assert command("compare", manifest, drives["faulty"]).code == 3
