"""The hash tree of a large folder: a name is looked for only in the leaf of its hash.

Source: Linux Documentation/filesystems/ext4/directory.rst (hash tree directories), fs/ext4/namei.c
(dx_probe, ext4_dx_csum), e2fsck/pass2.c (parse_int_node, htree checks).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

from verify.filesystem.checksums import crc32c
from verify.filesystem.examination import Effect
from verify.filesystem.ext.strict.contents import Folder
from verify.filesystem.ext.strict.inode_rows import CASEFOLD
from verify.filesystem.ext.strict.name_hash import hash_names
from verify.filesystem.ext.strict.subject import Subject
from verify.text.message import say

_ROOT_ENTRIES, _NODE_ENTRIES = 0x20, 0x8
_ENTRY = 8
_INFO_AT = 0x18
_INFO_BYTES = 8
_NEWEST_HASH, _SIPHASH = 5, 6
_ALL = 1 << 32
_BLOCK_MASK = 0x0FFFFFFF
"""The upper four bits of a block number are kept for something else (dx_get_block)."""


@dataclass(frozen=True, slots=True)
class Leaf:
    """A block of names."""

    block: int
    names: list[bytes]


@dataclass(slots=True)
class HashTree:
    """The nodes of one folder's tree, taken as its blocks come by."""

    subject: Subject
    folder: Folder
    _nodes: dict[int, bytes] = field(default_factory=dict)

    def takes(self, number: int, data: bytes) -> bool:
        """Whether a block is a node; it is kept then."""
        if number:
            inode, length, name, kind = struct.unpack_from("<IHBB", data)
            whole = length in {len(data), 0, 65535} if len(data) >= 65536 else length == len(data)  # noqa: PLR2004 - coded lengths
            if inode or not whole or name or kind:
                return False
            # NOTE: an empty leaf without a checksum looks the same but for the limit.
            limit = int.from_bytes(data[_NODE_ENTRIES : _NODE_ENTRIES + 2], "little")
            if limit != self._limit(_NODE_ENTRIES):
                return False
        self._nodes[number] = data
        return True

    def _limit(self, start: int) -> int:
        """Return how many entries a node has room for."""
        room = self.subject.layout.block_bytes - start
        return room // _ENTRY - int(self.subject.layout.checksummed)

    def _tell(
        self, effect: Effect, name: str, stored: object, expected: object, block: int
    ) -> None:
        number = self.folder.number
        where = (say("hash tree"), say("inode {number}, block {block}", number=number, block=block))
        self.subject.find(effect, where, name, stored, expected, node=number)

    def check(self, leaves: list[Leaf]) -> None:
        """Walk the tree from its root, and hold every leaf's names against their place in it."""
        root = self._nodes.get(0)
        if root is None:
            return
        zero, version, length, levels, unused = struct.unpack_from("<IBBBB", root, _INFO_AT)
        deepest = 3 if "large_dir" in self.subject.layout.features else 2
        self.subject.structure.compared()
        known = version <= _NEWEST_HASH or (
            version == _SIPHASH and bool(self.folder.flags & CASEFOLD)
        )
        if zero or length != _INFO_BYTES or unused & 1 or not known:
            stored = say(
                "version {version}, length {length}, flags {unused}",
                version=version,
                length=length,
                unused=unused,
            )
            self._tell(
                Effect.REPAIRED, say("root"), stored, say("a version from 0 to 5, length 8"), 0
            )
            return
        if levels >= deepest:
            self._tell(Effect.LOST, say("levels"), levels, say("below {most}", most=deepest), 0)
            return
        found: dict[int, tuple[int, int]] = {}
        self._walk(0, root, _ROOT_ENTRIES, levels, (0, _ALL), found)
        blocks = {leaf.block for leaf in leaves}
        for block in sorted(blocks - found.keys()):
            self._tell(Effect.LOST, say("leaf"), say("in no node"), say("in one node"), block)
        for block in sorted(found.keys() - blocks):
            self._tell(
                Effect.LOST, say("leaf"), say("no block of names"), say("a block of names"), block
            )
        if self.folder.flags & CASEFOLD:
            if version == _SIPHASH or not all(b"".join(leaf.names).isascii() for leaf in leaves):
                self.subject.structure.leave_out(say("the order of large folders that fold case"))
                return
            # NOTE: of ASCII alone, folding makes small letters (Unicode 12.1, CaseFolding.txt).
            leaves = [Leaf(leaf.block, [name.lower() for name in leaf.names]) for leaf in leaves]
        self._check_hashes(leaves, found, version)

    def _walk(  # noqa: PLR0913, PLR0917 - one step of a recursion over nodes
        self,
        number: int,
        data: bytes,
        start: int,
        levels: int,
        span: tuple[int, int],
        found: dict[int, tuple[int, int]],
    ) -> None:
        limit, count, block = struct.unpack_from("<HHI", data, start)
        wanted = self._limit(start)
        if limit != wanted or not 0 < count <= limit:
            stored = say("{count} of {limit}", count=count, limit=limit)
            self._tell(
                Effect.LOST,
                say("entries"),
                stored,
                say("1 to {wanted} of {wanted}", wanted=wanted),
                number,
            )
            return
        self._check_checksum(number, data, start, limit, count)
        self.subject.structure.compared(count)
        pairs = struct.unpack_from(f"<{2 * (count - 1)}I", data, start + _ENTRY)
        hashes = [span[0], *pairs[::2], span[1]]
        children = [block, *pairs[1::2]]
        for at, child in enumerate(child & _BLOCK_MASK for child in children):
            low, high = hashes[at], hashes[at + 1]
            if low & ~1 > high & ~1 or (at and low < hashes[at - 1]):
                self._tell(
                    Effect.LOST,
                    say("hash of entry {at}", at=at),
                    f"{low:08X}",
                    say("in order"),
                    number,
                )
            if child in found or child == 0:
                self._tell(
                    Effect.LOST,
                    say("block of entry {at}", at=at),
                    child,
                    say("one of its own"),
                    number,
                )
                continue
            if not levels:
                found[child] = low, high
                continue
            below = self._nodes.pop(child, None)
            if below is None:
                self._tell(
                    Effect.LOST, say("block of entry {at}", at=at), child, say("a node"), number
                )
                continue
            self._walk(child, below, _NODE_ENTRIES, levels - 1, (low, high), found)

    def _check_checksum(self, number: int, data: bytes, start: int, limit: int, count: int) -> None:
        if not self.subject.layout.checksummed:
            return
        tail = start + limit * _ENTRY
        seed = self.subject.layout.inode_seed(self.folder.number, self.folder.generation)
        wanted = crc32c(data[: start + count * _ENTRY], seed)
        wanted = crc32c(data[tail : tail + 4] + bytes(4), wanted)
        stored = int.from_bytes(data[tail + 4 : tail + 8], "little")
        if stored != wanted:
            self._tell(Effect.LOST, say("checksum"), f"{stored:08X}", f"{wanted:08X}", number)

    def _check_hashes(
        self, leaves: list[Leaf], found: dict[int, tuple[int, int]], version: int
    ) -> None:
        """A leaf holds hashes from its own to the next; bit 0 tells that a hash goes on there."""
        layout = self.subject.layout
        names = [name for leaf in leaves for name in leaf.names]
        if not names:
            return
        unsigned = bool(layout.block.number("flags") & 2)
        seed = layout.block.raw("hash_seed")
        hashes = hash_names(names, version, seed, unsigned=unsigned)
        at = 0
        for leaf in leaves:
            own = hashes[at : at + len(leaf.names)]
            at += len(leaf.names)
            span = found.get(leaf.block)
            if span is None or not len(own):
                continue
            low, high = span[0] & ~1, span[1]
            # A hash that goes on in the next leaf may stand in both.
            top = high if high & 1 else high - 1
            outside = (own < low) | (own > top)
            if outside.any():
                stored = say("{count} names of other hashes", count=int(outside.sum()))
                self._tell(
                    Effect.LOST,
                    say("names"),
                    stored,
                    say("{low} to {top}", low=f"{low:08X}", top=f"{top:08X}"),
                    leaf.block,
                )
        self.subject.structure.compared(len(names))
