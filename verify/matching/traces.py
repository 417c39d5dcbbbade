"""A person's work, told from what systems and programs write while they run: by what it is.

Common practice, from memory, where no source stands beside a list. Whatever is in no list and lies
outside the folders of systems and programs is a person's work.
"""

from __future__ import annotations

import re
from enum import StrEnum
from functools import cache

from verify.matching.habits import Habit, expression, habit_of


class Open(StrEnum):
    """What programs hold open and write in place."""

    REGISTRY = "registry"
    STORE = "database, mail store or disk of a virtual machine"
    LOG = "log of the system"


# SPEC: [MS-FSCC] does not know them; the names are those that office programs give: owner files
# (~$letter.docx, .~lock.letter.odt#), editors' swap files, autosave copies, downloads under way.
LEFT_BY_PROGRAMS = (
    "~$*",
    ".~lock.*#",
    "~*.tmp",
    "~wr*.wbk",
    "*.tmp",
    "*.temp",
    "*.asd",
    "AutoRecovery save of *",
    ".*.sw?",
    "*.lock",
    "*.lck",
    "*.pid",
    "lock",
    "LOCK",
    "parent.lock",
    "lockfile",
    "*.ldb",
    "*.laccdb",
    ".goutputstream-*",
    "*.crdownload",
    "*.part",
    "*.partial",
    "*.download",
    # thumbnails and views of folders
    "Thumbs.db",
    "thumbs.db:*",
    "thumbcache_*",
    "iconcache*",
    ".DS_Store",
    "desktop.ini",
    ".directory",
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
    # what shells and editors note
    ".bash_history",
    ".zsh_history",
    ".python_history",
    ".viminfo",
    ".lesshst",
    ".xsession-errors*",
    ".ICEauthority",
    ".Xauthority",
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


def is_work(path: str) -> bool:
    """Whether a path is a person's work, or settings; else it is what machines write."""
    name = path.rpartition("/")[2]
    if is_left_by_programs(path):
        return False
    if is_opened_from_mail(path):
        return True
    habit = habit_of(path)
    if _placed(_SETTINGS).fullmatch(path):
        return True
    if habit is Habit.SYSTEM:
        kept = path.startswith("/var/") or bool(_named(WORK).fullmatch(name))
        return kept and is_store(path)
    if _placed(PROGRAM_FOLDERS).fullmatch(path) or _DOT_FOLDER.fullmatch(path):
        return bool(_named(WORK).fullmatch(name) or _MAILBOX.fullmatch(path))
    return habit is not Habit.HELD


def is_left_by_programs(path: str) -> bool:
    """Whether programs leave it while they work, and make it anew by themselves."""
    if _named(LEFT_BY_PROGRAMS).fullmatch(path.rpartition("/")[2]):
        return True
    return habit_of(path) in _NOBODYS and not is_opened_from_mail(path)


def is_made_anew(path: str) -> bool:
    """Whether programs delete it and make it again by themselves, caches and logs among it."""
    return is_left_by_programs(path) or bool(_CACHE.fullmatch(path) and not is_work(path))


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
