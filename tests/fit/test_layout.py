"""What holds of every layout, whatever the drives are."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from verify.fit.capacity import Ground
from verify.fit.layout import Layout, Piece, lay_out
from verify.units import MIB

SECTOR = 512

Drawn = tuple[list[Piece], int, int, int]


@st.composite
def drives(draw: st.DrawFn) -> Drawn:
    """Return pieces in order, which one is resized, how small it can be, and where they end."""
    pieces, at = [], draw(st.sampled_from([63, 2048, 2049, 8192])) * SECTOR
    for number in range(1, draw(st.integers(1, 6)) + 1):
        size = draw(st.integers(1, 400 * 2048)) * SECTOR
        if draw(st.booleans()):
            size = size // MIB * MIB + MIB
        lead = draw(st.sampled_from([0, 0, MIB]))
        pieces.append(Piece(number=number, start=at + lead, size=size, lead=lead))
        gap = draw(st.sampled_from([0, 0, 1, 2048, 20_000])) * SECTOR
        at += lead + size + gap
    flexible = draw(st.integers(1, len(pieces)))
    own = next(piece for piece in pieces if piece.number == flexible)
    return pieces, flexible, draw(st.integers(1, own.size)), at


def ground_of(sectors: int, grain: int = MIB) -> Ground:
    """Return what a GPT leaves of so many sectors (UEFI 2.10: 34 in front, 33 behind)."""
    return Ground(first=34 * SECTOR, end=(sectors - 33) * SECTOR, grain=grain, sector=SECTOR)


def laid(drawn: Drawn, sectors: int, *, grow: bool = False, grain: int = MIB) -> Layout:
    """Lay a drawn drive out on so many sectors."""
    pieces, flexible, need, _ = drawn
    return lay_out(pieces, flexible, ground_of(sectors, grain), need=need, grow=grow)


@settings(max_examples=120, deadline=None)
@given(
    drawn=drives(),
    share=st.floats(0.1, 2),
    grow=st.booleans(),
    grain=st.sampled_from([MIB, 3 * MIB]),
)
def test_layout_when_there_is_one_then_order_grid_bounds_and_sizes_hold(
    *, drawn: Drawn, share: float, grow: bool, grain: int
) -> None:
    """In order, no overlap, on the grid, room for both tables, all others at their size."""
    pieces, flexible, _, end = drawn
    sectors = max(int(end // SECTOR * share), 4096)
    layout = laid(drawn, sectors, grow=grow, grain=grain)
    if not layout.placed:
        assert not layout.fits
        return
    assert [item.number for item in layout.placed] == [piece.number for piece in pieces]
    at = 34 * SECTOR
    for item, piece in zip(layout.placed, pieces, strict=True):
        assert item.start >= at + piece.lead
        assert item.start % grain == 0
        assert item.size > 0
        assert item.size % SECTOR == 0
        if item.number != flexible:
            assert item.size == piece.size
        at = item.start + item.size
    assert at <= (sectors - 33) * SECTOR


@settings(max_examples=120, deadline=None)
@given(drawn=drives(), share=st.floats(0.1, 2), grow=st.booleans())
def test_layout_when_it_fits_then_nothing_is_below_its_least(
    *, drawn: Drawn, share: float, grow: bool
) -> None:
    """What fits has what it needs; what does not has less room than that."""
    pieces, flexible, need, end = drawn
    layout = laid(drawn, max(int(end // SECTOR * share), 4096), grow=grow)
    sizes = {item.number: item.size for item in layout.placed}
    was = next(piece.size for piece in pieces if piece.number == flexible)
    if layout.fits:
        assert sizes[flexible] >= need
        assert grow or sizes[flexible] <= was
    else:
        assert layout.room < min(-(-need // MIB) * MIB, was)


@settings(max_examples=120, deadline=None)
@given(drives(), st.floats(0.1, 2), st.integers(0, 100_000))
def test_layout_when_the_drive_is_larger_then_nothing_gets_less(
    drawn: Drawn, share: float, more: int
) -> None:
    """A larger target never turns yes into no, nor makes the resized one smaller."""
    flexible, end = drawn[1], drawn[3]
    sectors = max(int(end // SECTOR * share), 4096)
    small, large = laid(drawn, sectors), laid(drawn, sectors + more)
    assert large.fits >= small.fits
    if small.fits:
        sizes = [
            next(item.size for item in layout.placed if item.number == flexible)
            for layout in (small, large)
        ]
        assert sizes[0] <= sizes[1]


@settings(max_examples=100, deadline=None)
@given(drives())
def test_layout_when_the_drive_is_as_large_and_on_the_grid_then_nothing_changes(
    drawn: Drawn,
) -> None:
    """A drive of the same size needs no change, if its starts are on the grid."""
    pieces, _, _, end = drawn
    if any(piece.start % MIB for piece in pieces):
        return
    layout = laid(drawn, end // SECTOR + 33)
    assert layout.fits
    assert [(item.start, item.size) for item in layout.placed] == [
        (piece.start, piece.size) for piece in pieces
    ]


def test_layout_when_only_closing_up_helps_then_it_gets_what_it_needs_and_no_more() -> None:
    """1 to 101 MiB, a gap of 100 MiB, and 300 MiB that need 200: kept from 402 MiB on.

    The table takes less than 1 MiB at the end. Closed up, the second starts at 101 MiB: at 350 MiB
    there is room for 248 MiB, but more than 200 would be less on a drive of 402 MiB.
    """
    pieces = [
        Piece(number=1, start=MIB, size=100 * MIB),
        Piece(number=2, start=201 * MIB, size=300 * MIB),
    ]
    drawn = (pieces, 2, 200 * MIB, 501 * MIB)
    found = {}
    for mib in (301, 302, 350, 401, 402, 450, 502):
        layout = laid(drawn, mib * 2048)
        places = [(item.start // MIB, item.size // MIB) for item in layout.placed]
        found[mib] = (layout.fits, *places)
    assert found == {
        301: (False, (1, 100), (101, 199)),
        302: (True, (1, 100), (101, 200)),
        350: (True, (1, 100), (101, 200)),
        401: (True, (1, 100), (101, 200)),
        402: (True, (1, 100), (201, 200)),
        450: (True, (1, 100), (201, 248)),
        502: (True, (1, 100), (201, 300)),
    }
