"""A plain NTFS record in short: one packed row of fixed length, for records by the thousand."""

from __future__ import annotations

import struct

ROW = struct.Struct("<BHHIIqqqQQI")
"""Its marks, sequence number, links, attributes, security; when created, modified and changed (ns
since 1970); bytes of the unnamed stream, its first cluster, its clusters (0: none outside; then
the byte of the record where the stream begins stands for the cluster)."""

PLAIN, FOLDER, OWN_SECURITY, STRAIGHT = 1, 2, 4, 8
"""The marks: the row says all there is to say; a folder; `security` is the number of a descriptor
that stood in the record, not the volume's identifier of one; the unnamed stream is neither
compressed, sparse nor encrypted, and was written to its end."""

EPOCH = 116_444_736_000_000_000
"""1970 in units of 100 ns since 1601 ([MS-DTYP] 2.3.3)."""

LAST = EPOCH + (1 << 32) * 10_000_000
"""Where the library's seconds since 1970 end; a time outside is reported as the library does."""

MOST_BYTES = (1 << 63) - 1
"""The longest stream: lengths are signed where they are used (libfsntfs, NTFS format)."""
