"""Lists of who may use a file on Windows, in the text form that Windows gives them.

Microsoft Learn: "Security Descriptor String Format", "ACE Strings", "SID Strings"; the account
numbers are invented.
"""

from __future__ import annotations

import pytest

from verify.platforms.windows.access import lets_others_in, private

OURS = "S-1-5-21-3623811015-3361044348-30300820-1013"
THEIRS = "S-1-5-21-3623811015-3361044348-30300820-1014"


def test_list_when_made_for_a_file_then_it_is_protected_and_names_three() -> None:
    """P: nothing is inherited; FA: FILE_ALL_ACCESS."""
    assert private(OURS) == f"D:P(A;;FA;;;SY)(A;;FA;;;BA)(A;;FA;;;{OURS})"
    assert not lets_others_in(private(OURS), OURS)
    assert lets_others_in(private(OURS), THEIRS)


def test_list_when_made_for_a_folder_then_what_is_in_it_inherits_it() -> None:
    """OI: files, CI: folders."""
    told = private(OURS, inherited=True)
    assert told.count(";OICI;") == 3
    assert not lets_others_in(told, OURS)


@pytest.mark.parametrize(
    "told",
    [
        f"D:(A;;FA;;;{OURS})(A;;FR;;;WD)",
        f"D:AI(A;ID;FA;;;SY)(A;ID;0x1200a9;;;BU)(A;ID;FA;;;{OURS})",
        f"D:(A;;FA;;;{THEIRS})",
        f"D:(XA;;FR;;;AU;(Member_of {{SID(BA)}}))(A;;FA;;;{OURS})",
        "D:NO_ACCESS_CONTROL",
        "",
        "O:BAG:SY",
    ],
)
def test_list_when_it_names_anybody_else_then_others_are_let_in(told: str) -> None:
    """Everyone (WD), Users (BU), signed-in users (AU), one account; no list at all."""
    assert lets_others_in(told, OURS)


@pytest.mark.parametrize(
    "told",
    [
        f"D:PAI(A;;FA;;;SY)(A;;FA;;;BA)(A;;FA;;;OW)(A;;FA;;;{OURS})",
        f"D:(D;;FA;;;WD)(A;;FA;;;{OURS})",
        f"D:(A;OICIIO;FA;;;WD)(A;;FA;;;{OURS})",
        f"D:(A;;FA;;;{OURS})S:(AU;SAFA;FA;;;WD)",
        "D:P",
    ],
)
def test_list_when_others_are_only_denied_or_watched_then_they_are_not_in(told: str) -> None:
    """D: denied; IO: for what will be made in it alone; S: who is recorded; an empty list."""
    assert not lets_others_in(told, OURS)
