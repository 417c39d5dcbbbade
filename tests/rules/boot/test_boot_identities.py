"""Three outcomes for copied identities: the same, new and rewritten, new and still named old.

docs/rules/boot-reference.md, after UEFI 2.10 section 5.3.3 and Microsoft's boot store reference.
"""

from __future__ import annotations

import pytest

from tests.rules.boot.machines import NEW_DISK, NEW_GUIDS, BiosMachine, Machine, clone
from tests.rules.cases import quiet, told
from verify.rules.boot import boot_reference
from verify.rules.partition import partition_guid
from verify.rules.table import disk_identity

IDENTITY, GUID, REFERENCE = disk_identity.RULE, partition_guid.RULE, boot_reference.RULE

NEW = Machine(disk=NEW_DISK, guids=NEW_GUIDS)
REWRITTEN = Machine(disk=NEW_DISK, guids=NEW_GUIDS, named_disk=NEW_DISK, named_guids=NEW_GUIDS)


def levels(rule: object, machine: Machine | BiosMachine) -> set[str]:
    """Return the levels of what a rule says of a clone."""
    return {level for level, _ in told(rule, clone(machine))}  # type: ignore[arg-type]


@pytest.mark.parametrize("rule", [IDENTITY, GUID, REFERENCE], ids=lambda rule: rule.slug)
def test_identity_when_it_is_the_same_then_all_is_quiet(rule: object) -> None:
    """The same GUIDs with matching references are right."""
    assert quiet(rule, clone(Machine()))  # type: ignore[arg-type]


def test_identity_when_it_is_new_and_rewritten_then_it_is_a_note() -> None:
    """New GUIDs with references rewritten to match are right, too."""
    assert levels(IDENTITY, REWRITTEN) == {"note"}
    assert levels(GUID, REWRITTEN) == {"note"}
    assert levels(REFERENCE, REWRITTEN) == set()
    bios = BiosMachine(signature=0xDEADBE01, named_signature=0xDEADBE01)
    assert levels(IDENTITY, bios) == {"note"}


def test_identity_when_it_is_new_and_the_store_names_the_old_then_it_stops() -> None:
    """New GUIDs under references that name the old ones: it would not start."""
    assert levels(IDENTITY, NEW) == {"review"}
    assert "review" in levels(GUID, NEW)
    assert "stop" in levels(REFERENCE, NEW)
