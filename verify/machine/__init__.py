"""The machine this runs on: its drives, which of them carries the system, how it was started.

Whatever is asked here is asked of the operating system; drives are read for their tables only,
through `source`.
"""
