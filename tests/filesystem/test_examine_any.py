"""What holds for the examination of every kind: a fault of ours never costs the listing."""

from __future__ import annotations

import pytest

from tests.support.drives import memory_window
from verify.errors import SourceVanished
from verify.filesystem import examine as kinds


@pytest.mark.parametrize("kind", sorted(kinds.EXAMINERS))
@pytest.mark.parametrize("content", [b"", bytes(512), bytes(1 << 16)])
def test_examination_when_a_volume_is_none_then_it_returns(kind: str, content: bytes) -> None:
    """No bytes, and zeros, end in an answer that says something, of every kind."""
    found = kinds.examine(memory_window(content), kind, lambda: None)
    assert found is not None
    assert found.structure.faults or found.structure.left_out
    assert not any("failed" in reason for reason in found.structure.left_out)


def test_examination_when_it_fails_by_a_fault_of_ours_then_both_halves_are_left_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A reader process goes on to the listing: one fault loses no other finding."""

    def fail(*_: object) -> None:
        raise IndexError("out of bounds")

    monkeypatch.setattr(kinds, "EXAMINERS", {"ntfs": fail})
    found = kinds.examine(memory_window(bytes(512)), "ntfs", lambda: None)
    assert found is not None
    assert found.allocation is not None
    for half in (found.structure, found.allocation):
        assert half.left_out == ("the examination failed: IndexError: out of bounds",)


def test_examination_when_the_drive_vanishes_then_that_passes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A drive that is gone ends the reading, as it does everywhere."""

    def vanish(*_: object) -> None:
        raise SourceVanished("a drive", "it was pulled")

    monkeypatch.setattr(kinds, "EXAMINERS", {"ntfs": vanish})
    with pytest.raises(SourceVanished):
        kinds.examine(memory_window(bytes(512)), "ntfs", lambda: None)
