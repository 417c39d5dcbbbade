"""What the system says of an error, as a message: Python has its words in English alone."""

from __future__ import annotations

import errno

from verify.text.message import say

_WORDS = {
    errno.ENOENT: say("no such file or folder"),
    errno.EACCES: say("permission denied"),
    errno.EPERM: say("operation not permitted"),
    errno.EIO: say("input/output error"),
    errno.EEXIST: say("it already exists"),
    errno.ENOTDIR: say("a part of the path is not a folder"),
    errno.EISDIR: say("it is a folder"),
    errno.ENOSPC: say("no space left"),
    errno.EDQUOT: say("disk quota exceeded"),
    errno.EROFS: say("read-only filesystem"),
    errno.EFBIG: say("file too large"),
    errno.ENAMETOOLONG: say("file name too long"),
    errno.ELOOP: say("too many symbolic links"),
    errno.EBUSY: say("already in use"),
    errno.ENODEV: say("no such device"),
    errno.ENXIO: say("no such device"),
    errno.EPIPE: say("nobody reads it any more"),
    errno.EINVAL: say("not possible there"),
    errno.EMFILE: say("too many open files"),
    errno.ENOTEMPTY: say("the folder is not empty"),
}
"""The errors that files and drives give (POSIX.1-2017, errno.h)."""


def system_words(error: OSError) -> str:
    """Return why the system refused, with no capital and no full stop; others as it says them."""
    if error.errno in _WORDS and type(error.strerror) is str:
        return _WORDS[error.errno]
    return error.strerror or str(error)
