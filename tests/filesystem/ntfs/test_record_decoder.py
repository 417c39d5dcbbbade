"""The one decoder of file records: a record made by the tables of libfsntfs, and each field false.

Places and meanings of all fields: libfsntfs, NTFS format, 'MFT entry header', 'MFT attribute
header', 'Data runs', 'The fix-up values', 'The attribute list attribute'. None of the program's
field tables is used here.
"""

from __future__ import annotations

import struct

import pytest

from verify.errors import StructureError
from verify.filesystem.ntfs.records import attribute_list, decoded_runs, parsed, repaired

AT, NUMBER, CLUSTERS = 0x8000, 70, 1_000
FIRST, SECOND, END = 56, 56 + 48, 56 + 48 + 80
USED = END + 8


def stored(*changes: tuple[int, bytes]) -> bytes:
    """Return a record as it is stored: a resident attribute, then one of two runs, changed."""
    record = bytearray(1024)
    record[:48] = struct.pack(
        "<4sHHQHHHHIIQHHI", b"FILE", 48, 3, 0, 9, 1, FIRST, 1, USED, 1024, 0, 4, 0, NUMBER
    )
    record[FIRST:SECOND] = struct.pack(
        "<IIBBHHHIHH24s", 0x10, 48, 0, 0, 24, 0, 0, 5, 24, 0, b"12345"
    )
    head = struct.pack("<IIBBHHHQQHHI", 0x80, 80, 1, 3, 64, 0, 3, 0, 29, 72, 0, 0)
    sizes = struct.pack("<QQQ", 30 * 4096, 30 * 4096 - 7, 100)
    runs = bytes([0x11, 10, 100, 0x01, 20, 0, 0, 0])
    record[SECOND:END] = head + sizes + "abc".encode("utf-16-le") + bytes(2) + runs
    record[END : END + 4] = b"\xff" * 4
    for at, value in changes:
        record[at : at + len(value)] = value
    sequence = b"\x07\x00"
    for stride in (1, 2):
        last = stride * 512 - 2
        record[48 + 2 * stride : 50 + 2 * stride] = record[last : last + 2]
        record[last : last + 2] = sequence
    record[48:50] = sequence
    return bytes(record)


def decoded(*changes: tuple[int, bytes]) -> object:
    """Take such a record apart."""
    return parsed(repaired(stored(*changes), AT), AT, NUMBER, CLUSTERS)


def test_record_when_it_is_regular_then_every_field_is_told() -> None:
    """Header, a resident value, a name, sizes, and runs of which one is sparse."""
    record = parsed(repaired(stored(), AT), AT, NUMBER, CLUSTERS)
    assert (record.number, record.sequence, record.links, record.flags) == (NUMBER, 9, 1, 1)
    assert (record.base, record.next_id, record.in_use, record.folder) == (0, 4, True, False)
    first, second = record.attributes
    assert (first.type, first.name, first.value, first.at) == (0x10, "", b"12345", AT + FIRST)
    assert (second.type, second.name, second.value, second.id) == (0x80, "abc", None, 3)
    assert second.runs == ((10, 100), (20, None))
    assert (second.first_vcn, second.last_vcn) == (0, 29)
    assert (second.allocated_size, second.data_size) == (30 * 4096, 30 * 4096 - 7)
    assert (second.valid_size, second.size, first.size) == (100, 30 * 4096 - 7, 5)


def test_fixups_when_undone_then_the_ends_of_strides_are_what_they_were() -> None:
    """What stood at the ends of the strides comes back, and no other byte changes."""
    whole = repaired(stored((510, b"ab"), (1022, b"cd")), AT)
    assert (whole[510:512], whole[1022:]) == (b"ab", b"cd")
    assert len(whole) == 1024


U16, U32, U64 = "<H", "<I", "<Q"
FAULTS: tuple[tuple[str, int, str, int], ...] = (
    ("allocated_bytes", 28, U32, 2048),
    ("used_bytes", 24, U32, 1032),
    ("used_bytes", 24, U32, USED + 4),
    ("end mark", 24, U32, USED + 8),
    ("end mark", 24, U32, USED - 8),
    ("first_attribute", 20, U16, 48),
    ("first_attribute", 20, U16, FIRST + 1),
    ("first_attribute", 20, U16, USED),
    ("number", 44, U32, NUMBER + 1),
    ("type", FIRST, U32, 0),
    ("type", FIRST, U32, 0x90),
    ("length", FIRST + 4, U32, 0),
    ("length", FIRST + 4, U32, 49),
    ("length", FIRST + 4, U32, 1 << 31),
    ("value_length", FIRST + 16, U32, 25),
    ("value_length", FIRST + 20, U16, 44),
    ("value_length", FIRST + 20, U16, 16),
    ("non_resident", SECOND + 8, "<B", 2),
    ("name_length", SECOND + 9, "<B", 40),
    ("name_length", SECOND + 10, U16, 8),
    ("runs_offset", SECOND + 32, U16, 80),
    ("runs_offset", SECOND + 32, U16, 32),
    ("last_vcn", SECOND + 24, U64, 28),
    ("last_vcn", SECOND + 16, U64, 1),
    ("sizes", SECOND + 40, U64, 1),
    ("sizes", SECOND + 56, U64, 30 * 4096),
    ("run", SECOND + 73, "<B", 0),
    ("run", SECOND + 74, "<b", -1),
    ("run", SECOND + 72, "<B", 0xF1),
    ("run", SECOND + 72, "<B", 0x91),
    ("end mark", SECOND + 76, U32, 0x01010214),
)


@pytest.mark.parametrize(("field", "at", "code", "value"), FAULTS)
def test_record_when_two_fields_contradict_each_other_then_the_field_is_named(
    field: str, at: int, code: str, value: int
) -> None:
    """Each false field alone; the place lies in the record."""
    with pytest.raises(StructureError) as found:
        decoded((at, struct.pack(code, value)))
    assert found.value.field == field
    assert AT <= found.value.offset < AT + 1024


@pytest.mark.parametrize(
    ("field", "at", "value"),
    [
        ("signature", 0, b"BAAD"),
        ("fixup_count", 6, b"\x01\0"),
        ("fixup_count", 6, b"\x04\0"),
        ("fixup_offset", 4, b"\xfe\x01"),
        ("fixup_offset", 4, b"\x31\0"),
        ("fix-up", 1022, b"\x08\0"),
    ],
)
def test_record_when_it_was_not_written_whole_then_the_field_is_named(
    field: str, at: int, value: bytes
) -> None:
    """Changed as it is stored, behind the fix-ups' back."""
    data = stored()
    with pytest.raises(StructureError) as found:
        repaired(data[:at] + value + data[at + len(value) :], AT)
    assert found.value.field == field


def test_record_when_it_is_cut_then_it_is_a_named_error() -> None:
    """At every length: nothing else comes out, whatever is missing."""
    data = stored()
    for length in range(0, 1024, 7):
        with pytest.raises(StructureError):
            repaired(data[:length], AT)


def test_runs_when_they_leave_the_volume_then_they_are_none() -> None:
    """The last cluster is inside, the one behind it is not; a sparse run lies nowhere."""
    assert decoded_runs(bytes([0x11, 10, 90, 0]), 0, 100) == ((10, 90),)
    assert decoded_runs(bytes([0x02, 0xFF, 0xFF, 0]), 0, 100) == ((0xFFFF, None),)
    for data in (bytes([0x11, 11, 90, 0]), bytes([0x11, 1, 50, 0x11, 1, 0x81, 0])):
        with pytest.raises(StructureError):
            decoded_runs(data, 0, 100)


def listed(kind: int, length: int, name: str, number: int) -> bytes:
    """Return an entry of an attribute list."""
    head = struct.pack("<IHBBQQH", kind, length, len(name), 26, 5, number | 3 << 48, 2)
    return (head + name.encode("utf-16-le")).ljust(32, b"\0")


def test_attribute_list_when_it_is_whole_then_each_entry_is_told() -> None:
    """Type, name, first cluster, record and its sequence number, identifier."""
    found = list(attribute_list(listed(0x30, 32, "", 40) + listed(0x80, 32, "ab", 41), AT))
    assert found == [(0x30, "", 5, 40, 3, 2), (0x80, "ab", 5, 41, 3, 2)]


@pytest.mark.parametrize("length", [0, 25, 30, 40, 0xFFF8])
def test_attribute_list_when_an_entry_ends_elsewhere_then_it_is_damaged(length: int) -> None:
    """A list whose parts do not follow each other to its end gives no entry."""
    with pytest.raises(StructureError):
        list(attribute_list(listed(0x30, 32, "", 40) + listed(0x80, length, "", 41), AT))
