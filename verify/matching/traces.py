"""A person's work, told from what systems and programs write while they run: by what it is.

Common practice, from memory, where no source stands beside a list. Whatever is in no list and lies
outside the folders of systems and programs is a person's work.
"""

from __future__ import annotations

import re
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING

from verify.matching.habits import Habit, expression, habit_of

if TYPE_CHECKING:
    from verify.filesystem.entry import Entry


class Open(StrEnum):
    """What programs hold open and write in place."""

    REGISTRY = "registry"
    STORE = "database, mail store or disk of a virtual machine"
    LOG = "log of the system"


# NOTE: from memory, with room to spare: an office program's owner file has 162 or 165 bytes, others
# hold a name or a number. .ldb, .laccdb: Microsoft Learn, "Introduction to .laccdb and .ldb files":
# 64 bytes a user, 255 users. .DS_Store: 6 KiB, more where many views were set.
_MARKS = (
    (128, ("*.lock", "*.lck", "lock", "lockfile", "*.pid")),
    (1 << 10, ("~$*", ".~lock.*#", ".directory")),
    (16 << 10, ("*.ldb", "*.laccdb", "desktop.ini")),
    (64 << 10, (".DS_Store",)),
)
"""What programs leave beside documents, and how many bytes it has at most; a larger file of such
a name is somebody's own."""

# NOTE: beside documents, each of these may be somebody's own, or the last copy of what was typed.
_LEFT_IN_THEIR_FOLDERS = (
    *(name for _, names in _MARKS for name in names),
    "~wr*.wbk",
    "*.asd",
    "*.tmp",
    "*.temp",
    "*.crdownload",
    "*.part",
    "*.partial",
    "*.download",
    "thumbcache_*",
    "iconcache*",
    # SPEC: sqlite.org/tempfiles.html: what a database needs while it is open
    "*-journal",
    "*-wal",
    "*-shm",
    # session and history stores of browsers
    "sessionstore*",
    "recovery.jsonlz4",
    "recovery.baklz4",
    "previous.jsonlz4",
    "places.sqlite",
    "favicons.sqlite",
    "cookies.sqlite",
    "formhistory.sqlite",
    "permissions.sqlite",
    "webappsstore.sqlite",
    "content-prefs.sqlite",
    "storage.sqlite",
    "Cookies",
    "History",
    "Web Data",
    "Favicons",
    "Top Sites",
    "Visited Links",
    "Network Action Predictor",
    "Current Session",
    "Current Tabs",
    "Last Session",
    "Last Tabs",
    "WebCacheV*.dat",
    "recently-used.xbel",
    # indexes that mail programs make of their own stores
    "*.msf",
    "global-messages-db.sqlite",
)
"""What programs leave in folders of their own, and make again; elsewhere these are documents."""

# NOTE: what shells and editors note in somebody's home folder.
_LEFT_AT_HOME = re.compile(
    r"/(home/[^/]+|root)/\.(bash_history|zsh_history|python_history|viminfo|lesshst"
    r"|xsession-errors[^/]*|ICEauthority|Xauthority)"
)

_DOCUMENTS = """
doc docx docm dot dotx rtf odt ott pages txt md tex pdf ps xps xls xlsx xlsm xlsb ods csv numbers
ppt pptx pptm odp key odg vsd vsdx one enex wps wpd pub epub
"""
_PICTURES = """
jpg jpeg png gif tif tiff bmp heic heif webp raw cr2 cr3 nef arw dng orf rw2 psd xcf ai svg eps indd
mp3 wav flac m4a ogg aiff mp4 mov avi mkv m4v mts mpg
"""
_PROJECTS = """
dwg dxf skp blend stl step stp f3d prproj aep als logicx flp gnucash qbw qbb zip 7z rar tar gz tgz
iso pfx p12 pem gpg eml msg vcf ics
"""
_STORES = """
pst ost mbox dbx mdb accdb fdb gdb mdf ldf ndf ibd frm myd myi dbf odb kdbx kdb
vhd vhdx vmdk vdi qcow2 img
"""
_STORES_OF_PROGRAMS = "sqlite sqlite3 db db3 edb"


def _endings(*lists: str) -> tuple[str, ...]:
    return tuple(f"*.{ending}" for text in lists for ending in text.split())


WORK = _endings(_DOCUMENTS, _PICTURES, _PROJECTS, _STORES)

# NOTE: stores that are written in place while a program or machine runs.
STORES = (
    *_endings(_STORES, _STORES_OF_PROGRAMS),
    "ibdata*",
    "ib_logfile*",
    "INBOX",
    "Inbox",
    "Sent",
)

# NOTE: what Windows and Linux hold open for as long as they run, mapped into memory.
LOGS = (
    "*.evtx",
    "*.etl",
    "*.edb",
    "*.jrs",
    "*.jfm",
    "*.chk",
    "*.blf",
    "*.regtrans-ms",
    "*.LOG1",
    "*.LOG2",
    "SRUDB.dat",
    "OBJECTS.DATA",
    "INDEX.BTR",
    "MAPPING?.MAP",
    "*.journal",
    "wtmp",
    "btmp",
    "lastlog",
    "bootstat.dat",
)

# NOTE: below these lies what programs keep for a person, beside a few documents.
PROGRAM_FOLDERS = ("/Users/*/AppData/", "/Documents and Settings/*/Application Data/")
_DOT_FOLDER = re.compile(r"/(home/[^/]+|root)/(\.[^/]+)/.+", re.DOTALL)

# NOTE: mail programs keep a mailbox as one file without an ending, named as its owner named it.
_MAILBOX = re.compile(r"/(.+/)?(Mail|ImapMail)/(.+/)?[^/.]+", re.IGNORECASE | re.DOTALL)

# NOTE: common practice: below these, programs keep what they load or make again.
_CACHE = re.compile(
    r"/.+/([^/]*cache[^/]*|Session Storage|blob_storage|Crashpad|logs?)(/.*)?",
    re.IGNORECASE | re.DOTALL,
)

_NOBODYS = frozenset({Habit.MOVING, Habit.LEFT_OUT, Habit.REWRITTEN})

# NOTE: where mail programs and archives put a document that is opened from them, and where it stays
# if its owner saves it there.
_OPENED_FROM_MAIL = (
    "/Users/*/AppData/Local/Temp/",
    "/Users/*/AppData/Local/Microsoft/Windows/INetCache/Content.Outlook/",
    "/Users/*/AppData/Local/Microsoft/Windows/Temporary Internet Files/Content.Outlook/",
)
_EDITED = _endings("doc docx docm rtf odt xls xlsx xlsm ods ppt pptx odp vsd vsdx dwg psd")

_SETTINGS = (
    "/etc/",
    "/var/www/",
    "/var/mail/",
    "/var/spool/mail/",
    "/var/spool/cron/",
    "/Windows/System32/Tasks/",
    "/Windows/ServiceProfiles/",
    "/Windows/Tasks/",
    "/Windows/CSC/",
)
"""What somebody set up or keeps there, though the folder is a system's (FHS 3.0; the Windows rows
are common practice)."""


def is_work(entry: Entry) -> bool:
    """Whether something is a person's work, or settings; else it is what machines write."""
    path = entry.path
    name = path.rpartition("/")[2]
    if is_left_by_programs(entry):
        return False
    if is_opened_from_mail(path):
        return True
    habit = habit_of(path)
    if _placed(_SETTINGS).fullmatch(path):
        return True
    if habit is Habit.SYSTEM:
        kept = path.startswith("/var/") or bool(_named(WORK).fullmatch(name))
        return kept and is_store(path)
    if is_in_program_folder(path):
        return bool(_named(WORK).fullmatch(name) or _MAILBOX.fullmatch(path))
    return habit is not Habit.HELD


def is_in_program_folder(path: str) -> bool:
    """Whether it lies where programs keep their own things for a person."""
    return bool(_placed(PROGRAM_FOLDERS).fullmatch(path) or _DOT_FOLDER.fullmatch(path))


def is_left_by_programs(entry: Entry) -> bool:
    """Whether programs leave it while they work, and make it anew by themselves.

    Told by its name together with its size or its place: a document may have any name.
    """
    path = entry.path
    name, habit = path.rpartition("/")[2], habit_of(path)
    if entry.kind == "file":
        if any(entry.size <= most and _named(names).fullmatch(name) for most, names in _MARKS):
            return True
        if _LEFT_AT_HOME.fullmatch(path):
            return True
        of_programs = habit is Habit.SYSTEM or is_in_program_folder(path)
        if of_programs and _named(_LEFT_IN_THEIR_FOLDERS).fullmatch(name):
            return True
    return habit in _NOBODYS and not is_opened_from_mail(path)


def is_made_anew(entry: Entry) -> bool:
    """Whether programs delete it and make it again by themselves, caches and logs among it."""
    return is_left_by_programs(entry) or bool(_CACHE.fullmatch(entry.path) and not is_work(entry))


def is_opened_from_mail(path: str) -> bool:
    """Whether it is a document that somebody may have saved where it was opened from a mail."""
    there = _placed(_OPENED_FROM_MAIL).fullmatch(path)
    return bool(there and _named(_EDITED).fullmatch(path.rpartition("/")[2]))


def is_store(path: str) -> bool:
    """Whether it is a database, a mail store or the disk of a virtual machine."""
    named = _named(STORES).fullmatch(path.rpartition("/")[2])
    return bool(named or _MAILBOX.fullmatch(path))


def held_open(path: str) -> Open | None:
    """Return which sort of file that programs write in place it is, if it is one."""
    if habit_of(path) is Habit.HELD:
        return Open.REGISTRY
    if _named(LOGS).fullmatch(path.rpartition("/")[2]):
        return Open.LOG
    return Open.STORE if is_store(path) else None


@cache
def _named(names: tuple[str, ...]) -> re.Pattern[str]:
    return re.compile("|".join(map(expression, names)), re.IGNORECASE | re.DOTALL)


@cache
def _placed(paths: tuple[str, ...]) -> re.Pattern[str]:
    return re.compile("|".join(map(expression, paths)), re.IGNORECASE | re.DOTALL)
