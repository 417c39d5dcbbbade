"""Images as people keep them: one file of raw bytes, several, or a container.

A container is read by the fields that were checked, and by nothing else: its own headers,
checksums and tables are held against the specification before the first byte of the drive is
given out, and what a table cannot place becomes an error or an unreadable stretch, never zeros.
"""
