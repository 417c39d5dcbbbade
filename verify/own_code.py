"""Only this installation's code is run: none from the current folder, none that PYTHON* names.

A drive's image often lies in the current folder, among files that somebody else put there. Python
would import a `json.py` from it, with the rights of whoever reads the drive.

NOTE: this module imports only what every interpreter has loaded before it. Any other import, that
of `__future__` included, would be looked for in the current folder first.
"""

import os
import sys

_ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))  # noqa: PTH100, PTH120 - see above

_HARMLESS = {
    "PYTHONCOERCECLOCALE",
    "PYTHONDONTWRITEBYTECODE",
    "PYTHONFAULTHANDLER",
    "PYTHONHASHSEED",
    "PYTHONIOENCODING",
    "PYTHONUNBUFFERED",
    "PYTHONUTF8",
}
"""Variables of the interpreter that change how it works and never what it runs."""

_START = (
    "import sys; root, module, *sys.path = sys.argv[1:]; sys.path.insert(0, root); import verify;"
    " del sys.path[0]; __import__(module, fromlist=['main']).main()"
)
"""Takes over the import path of the process that starts it; this package, and nothing else, comes
from the folder that this package is in."""


PROCESS_WORD = "--own-process"
"""In a self-contained folder, starts the program as one of its own processes."""

_PROCESSES = {"verify.capture.readers.worker"}
"""What it is started as, each by its `main`."""


def keep_to_own_code() -> None:
    """Import from the installation alone, here and in every process that is started from here.

    What Python itself imported before this cannot be undone: a `sitecustomize.py` that PYTHONPATH
    names, or a `verify.py` or `importlib.py` where somebody types `python -m verify`. README.md
    says how to install so that these cannot run either.
    """
    foreign = _foreign_places()
    sys.path[:] = [place for place in sys.path if place not in foreign]
    if "PYTHONPYCACHEPREFIX" in os.environ and not sys.flags.ignore_environment:
        sys.pycache_prefix = None
    for name in [name for name in os.environ if name.startswith("PYTHON")]:
        if name not in _HARMLESS:
            del os.environ[name]
    os.environ["PYTHONSAFEPATH"] = "1"  # processes of a pool are started with `-c`


def own_python(module: str) -> tuple[str, ...]:
    """Return the command that runs `main` of a module of this package in a process of its own.

    It is isolated (`-I`): neither the current folder nor the environment adds to what it imports.
    In a self-contained folder there is no interpreter to start, and the program starts itself.
    """
    if _is_self_contained():
        return (sys.executable, PROCESS_WORD, module)
    places = [place for place in sys.path if place]
    caching = ("-B",) if sys.dont_write_bytecode else ()
    encoding = f"utf8={sys.flags.utf8_mode}"  # names of files are handed over, and must stay equal
    return (
        sys.executable,
        "-I",
        *caching,
        "-X",
        encoding,
        "-c",
        _START,
        _ROOT,
        module,
        *places,
    )


def ran_own_process(arguments: list[str]) -> bool:
    """Work as the process that this one was started as; `False`: it was started for a command.

    Only in a self-contained folder are there such processes: the readers, started by `own_python`,
    and those of a pool, which end here (`freeze_support` of Python's multiprocessing).
    """
    if not _is_self_contained():
        return False
    import multiprocessing  # noqa: PLC0415 - keep_to_own_code was before this

    multiprocessing.freeze_support()
    if not any(arguments == [PROCESS_WORD, module] for module in _PROCESSES):
        return False
    __import__(arguments[1], fromlist=["main"]).main()
    return True


def _is_self_contained() -> bool:
    """Return whether this is a program with its interpreter inside (PyInstaller says so)."""
    return bool(getattr(sys, "frozen", False))


def _foreign_places() -> set[str]:
    """Return what the current folder and PYTHONPATH put on the import path."""
    foreign = set[str]()
    if not sys.flags.safe_path and sys.path and sys.path[0] in {"", _current_folder()}:
        foreign.add(sys.path[0])
    if not sys.flags.ignore_environment and (named := os.environ.get("PYTHONPATH")):
        # NOTE: an empty part of it means the current folder.
        foreign |= {os.path.abspath(place) for place in named.split(os.pathsep)}  # noqa: PTH100
    return foreign - _installed_places()


def _current_folder() -> str:
    try:
        return os.getcwd()  # noqa: PTH109 - see above
    except OSError:  # it was removed
        return ""


def _installed_places() -> set[str]:
    """Return the folders of the interpreter's own library and of what is installed for it."""
    library = os.path.dirname(os.__file__)  # noqa: PTH120 - see above
    site = sys.modules.get("site")
    packages = site.getsitepackages() if site is not None else []
    return {library, os.path.join(library, "lib-dynload"), *packages}  # noqa: PTH118
