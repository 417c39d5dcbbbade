"""Names by the thousand: a key of each $FILE_NAME, and whether names stand in their order.

Source: libfsntfs, NTFS format, 'The file name attribute'; the order is that of ntfs-3g
(unistr.c, ntfs_names_full_collate): upper case first, then as they stand.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from verify.structs.ntfs import FILE_NAME

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from verify.filesystem.ntfs.examined_volume import Numbers, Words

_AT = {item.name: item.offset for item in FILE_NAME.fields}
_DOS = 2
_FACTOR = np.uint64(0x9E3779B97F4A7C15)
"""2^64 divided by the golden ratio, for multiplicative hashing: Knuth, TAOCP 3, 6.4."""

_HALF = np.uint64(32)
_WORD = 8
_MASKS = np.array([(1 << 8 * count) - 1 for count in range(_WORD + 1)], np.uint64)
_BEHIND = 16


def name_keys(heap: bytes | bytearray, starts: Numbers) -> tuple[Words, NDArray[np.bool_]]:
    """Return a key of each $FILE_NAME that begins at `starts`, and which are of the DOS namespace.

    Two have the same key where they are the same name of the same kind in the same folder.
    """
    data = bytes(heap) + bytes(_BEHIND)
    u8 = np.frombuffer(data, np.uint8)
    u64 = np.ndarray((len(data) - 7,), "<u8", data, strides=(1,))
    letters = u8[starts + _AT["length"]].astype(np.int64)
    space = u8[starts + _AT["namespace"]].astype(np.uint64)
    # Those with the longest names come first, so that each step works on fewer of the first ones.
    order = np.argsort(-letters, kind="stable")
    place, left = starts[order], 2 * letters[order]
    keys = _mixed(
        u64[place + _AT["parent"]], letters[order].astype(np.uint64) << np.uint64(8) | space[order]
    )
    place += FILE_NAME.size
    count = int(np.searchsorted(-left, 0))
    while count:
        words = u64[place[:count]] & _MASKS[np.minimum(left[:count], _WORD)]
        keys[:count] = _mixed(keys[:count], words)
        place += _WORD
        left -= _WORD
        count = int(np.searchsorted(-left[:count], 0))
    found = np.empty_like(keys)
    found[order] = keys
    return found, space == _DOS


def text_of(value: bytes) -> str:
    """Return the name in a $FILE_NAME."""
    end = FILE_NAME.size + 2 * value[_AT["length"]]
    return value[FILE_NAME.size : end].decode("utf-16-le", "surrogatepass")


def _mixed(keys: Words, words: Words) -> Words:
    keys = (keys ^ words) * _FACTOR
    return keys ^ keys >> _HALF


def misplaced(
    heap: bytes | bytearray, starts: Numbers, new: NDArray[np.bool_], upper: NDArray[np.uint16]
) -> Numbers:
    """Return which of the names that begin at `starts` do not come after the one before.

    `new` tells where another folder begins; `upper` is the volume's table of upper case.
    """
    data = bytes(heap) + bytes(_BEHIND)
    u16 = np.ndarray((len(data) - 1,), "<u2", data, strides=(1,))
    u64 = np.ndarray((len(data) - 7,), "<u8", data, strides=(1,))
    letters = np.frombuffer(data, np.uint8)[starts + _AT["length"]].astype(np.int64)
    names = starts + FILE_NAME.size, letters
    earlier, same = _compared(u16, u64, names, np.nonzero(~new[1:])[0] + 1, upper)
    by_case, twice = _compared(u16, u64, names, same, None)
    return np.sort(np.concatenate((earlier, by_case, twice)))


def _compared(
    u16: NDArray[np.uint16],
    u64: Words,
    names: tuple[Numbers, Numbers],
    which: Numbers,
    upper: NDArray[np.uint16] | None,
) -> tuple[Numbers, Numbers]:
    """Return which names come earlier than the one before, and which are the same."""
    starts, letters = names
    earlier, same = [which[:0]], [which[:0]]
    index = _alike(u64, names, which)
    while which.size:
        sides = []
        for side in (which, which - 1):
            ended = index >= letters[side]
            letter = u16[np.where(ended, 0, starts[side] + 2 * index)]
            value = (letter if upper is None else upper[letter]).astype(np.int64)
            sides.append(np.where(ended, -1, value))
        here, before = sides
        earlier.append(which[here < before])
        same.append(which[(here == before) & (here < 0)])
        going = (here == before) & (here >= 0)
        which, index = which[going], index[going] + 1
    return np.concatenate(earlier), np.concatenate(same)


def _alike(u64: Words, names: tuple[Numbers, Numbers], which: Numbers) -> Numbers:
    """Return with how many letters, at least, each of the names begins as the one before."""
    starts, letters = names
    shorter = np.minimum(letters[which], letters[which - 1])
    alike = np.zeros(len(which), np.int64)
    left = np.arange(len(which))
    while left.size:
        left = left[alike[left] + _WORD // 2 <= shorter[left]]
        at = 2 * alike[left]
        whose = which[left]
        left = left[u64[starts[whose] + at] == u64[starts[whose - 1] + at]]
        alike[left] += _WORD // 2
    return alike
