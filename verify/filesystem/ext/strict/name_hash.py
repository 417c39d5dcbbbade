"""The hashes by which large folders are sorted, of many names at once.

Source: Linux fs/ext4/hash.c (half MD4 after RFC 1320, TEA, and the one of before).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    Words = npt.NDArray[np.uint32]

LEGACY, HALF_MD4, TEA = 0, 1, 2
_UNSIGNED = 3
"""Versions 3 to 5 are 0 to 2 with unsigned characters."""

_START = (0x67452301, 0xEFCDAB89, 0x98BADCFE, 0x10325476)
_DELTA = 0x9E3779B9
_ROUNDS = 16
_END_OF_FILE = 0x7FFFFFFF << 1
_CHUNK = {HALF_MD4: 32, TEA: 16}


def hash_names(
    names: list[bytes], version: int, seed: bytes, *, unsigned: bool
) -> npt.NDArray[np.int64]:
    """Return the major hash of every name, its lowest bit 0.

    `version` as in a tree's root; `unsigned`: whether the volume says that characters are.
    """
    unsigned = unsigned or version >= _UNSIGNED
    kind = version % _UNSIGNED
    if kind == LEGACY:
        hashes = np.array([_legacy(name, unsigned=unsigned) for name in names], dtype=np.int64)
        return _final(hashes)
    words = np.frombuffer(seed, "<u4")
    start = words if words.any() else np.array(_START, dtype=np.uint32)
    chunk = _CHUNK[kind]
    step = _half_md4 if kind == HALF_MD4 else _tea
    lengths = np.array([len(name) for name in names], dtype=np.int64)
    longest = int(lengths.max())
    table = _table(names, longest, chunk)
    state = np.repeat(start.reshape(1, 4), len(names), axis=0).copy()
    for begin in range(0, longest, chunk):
        left = lengths - begin
        active = np.flatnonzero(left > 0)
        text = table[active, begin : begin + chunk]
        block = _words(text, left[active], unsigned=unsigned)
        state[active] = step(state[active], block)
    major = state[:, 1 if kind == HALF_MD4 else 0]
    return _final(major.astype(np.int64))


def _final(hashes: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    hashes = hashes & ~1
    return np.where(hashes == _END_OF_FILE, (0x7FFFFFFF - 1) << 1, hashes)


def _table(names: list[bytes], longest: int, chunk: int) -> npt.NDArray[np.uint8]:
    width = -(-longest // chunk) * chunk
    joined = b"".join(name.ljust(width, b"\0") for name in names)
    return np.frombuffer(joined, np.uint8).reshape(len(names), width)


def _words(text: npt.NDArray[np.uint8], left: npt.NDArray[np.int64], *, unsigned: bool) -> Words:
    """Pack characters into words, the first one highest, filled up with the length."""
    count, chunk = text.shape
    length = np.minimum(left, chunk)
    pad = (left & 0xFF).astype(np.int64)
    inside = np.arange(chunk) < length[:, None]
    value = text.astype(np.int64)
    if not unsigned:
        value = np.where(value > 127, value - 256, value)  # noqa: PLR2004 - a char
    groups = chunk // 4
    inside_words = inside.reshape(count, groups, 4)
    value = np.where(inside, value, 0).reshape(count, groups, 4)
    have = inside_words.sum(axis=2)
    words = np.repeat((pad * 0x01010101)[:, None], groups, axis=1)
    for at in range(4):
        there = inside_words[:, :, at]
        words = np.where(there, value[:, :, at] + (words << 8), words) & 0xFFFFFFFF
    del have
    return words.astype(np.uint32)


def _rotate(value: Words, bits: int) -> Words:
    return value << np.uint32(bits) | value >> np.uint32(32 - bits)


def _half_md4(state: Words, block: Words) -> Words:
    a, b, c, d = (state[:, at].copy() for at in range(4))
    rounds: tuple[
        tuple[Callable[[Words, Words, Words], Words], int, tuple[int, ...], tuple[int, ...]], ...
    ]
    rounds = (
        (lambda x, y, z: z ^ (x & (y ^ z)), 0, (0, 1, 2, 3, 4, 5, 6, 7), (3, 7, 11, 19)),
        (
            lambda x, y, z: (x & y) + ((x ^ y) & z),
            0x5A827999,
            (1, 3, 5, 7, 0, 2, 4, 6),
            (3, 5, 9, 13),
        ),
        (lambda x, y, z: x ^ y ^ z, 0x6ED9EBA1, (3, 7, 2, 6, 1, 5, 0, 4), (3, 9, 11, 15)),
    )
    for mix, constant, order, shifts in rounds:
        for at, index in enumerate(order):
            total = a + mix(b, c, d) + block[:, index] + np.uint32(constant)
            a, b, c, d = d, _rotate(total, shifts[at % 4]), b, c
    return state + np.stack([a, b, c, d], axis=1)


def _tea(state: Words, block: Words) -> Words:
    low, high = state[:, 0].copy(), state[:, 1].copy()
    a, b, c, d = (block[:, at] for at in range(4))
    total = 0
    for _ in range(_ROUNDS):
        total = total + _DELTA & 0xFFFFFFFF
        now = np.uint32(total)
        low = low + ((high << np.uint32(4)) + a ^ high + now ^ (high >> np.uint32(5)) + b)
        high = high + ((low << np.uint32(4)) + c ^ low + now ^ (low >> np.uint32(5)) + d)
    out = state.copy()
    out[:, 0] += low
    out[:, 1] += high
    return out


def _legacy(name: bytes, *, unsigned: bool) -> int:
    before, now = 0x37ABE8F9, 0x12A3FE2D
    for byte in name:
        own = byte - 256 if byte > 127 and not unsigned else byte  # noqa: PLR2004 - a char
        total = before + (now ^ own * 7152373) & 0xFFFFFFFF
        if total & 0x80000000:
            total = total - 0x7FFFFFFF & 0xFFFFFFFF
        before, now = now, total
    return now << 1 & 0xFFFFFFFF
