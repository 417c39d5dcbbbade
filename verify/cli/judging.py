"""Two sides read, compared and told: what `check`, `compare` and `demo` have in common."""

import shutil
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from verify.cli.output import emit_drawn, emit_parts
from verify.errors import OutputError
from verify.platforms.this import PLATFORM
from verify.text.language import translated
from verify.text.message import say
from verify.text.system_words import system_words
from verify.text.words import NEW, OLD
from verify.whole_file import whole_file

if TYPE_CHECKING:
    from verify.capture.options import CaptureOptions
    from verify.cli.options import LangName
    from verify.held import WorkingFolder
    from verify.manifest.file import Manifest
    from verify.manifest.header import Header
    from verify.rules.comparison_document import Comparison
    from verify.rules.declared import Declared
    from verify.rules.difference_rows import DifferenceRow


@dataclass(frozen=True)
class Judged:
    """A comparison, and the two manifests it was made from."""

    comparison: "Comparison"
    manifests: tuple["Manifest", "Manifest"]

    @property
    def headers(self) -> tuple["Header", "Header"]:
        """The headers of both manifests."""
        old, new = self.manifests
        return old.header, new.header

    def differences(self) -> "Iterator[DifferenceRow]":
        """Yield every file and folder that differs, as long as the manifests are there.

        Raises:
            ManifestAltered: a row of a manifest is damaged.
        """
        from verify.rules.difference_rows import difference_rows

        return difference_rows(*self.manifests)


@contextmanager
def judged(
    source: str,
    target: str,
    options: "CaptureOptions | tuple[CaptureOptions, CaptureOptions]",
    keep: Path | None = None,
    declared: "Declared | None" = None,
) -> Iterator[Judged]:
    """Read both sides (manifests are taken as they are) and give what came of comparing them.

    `options`: those of both sides, or each side's. `keep`: an empty folder for the two manifests;
    without it they are thrown away at the end.
    `declared`: the layout that the new drive is held to.
    """
    both = options if isinstance(options, tuple) else (options, options)
    if keep is not None:
        yield _judge_in(source, target, both, keep, declared, kept=True)
        return
    with working_folder(both[0].scratch) as folder:
        yield _judge_in(source, target, both, Path(folder), declared, kept=False)


def declared_by(fit: str | None) -> "Declared | None":
    """Return the layout that a fit's file declares; `None` where no file is given."""
    from verify.fit.declare import read_declared

    return None if fit is None else read_declared(fit)


def working_folder(scratch: Path | None) -> "WorkingFolder":
    """Return a folder for working files, which goes away at the end.

    Raises:
        OutputError: it cannot be made.
    """
    from verify.held import WorkingFolder

    try:
        return WorkingFolder(scratch)
    except OSError as error:
        named = error.filename or scratch
        place = str(named) if named else say("the system's folder for temporary files")
        raise OutputError(place, system_words(error)) from error


def _judge_in(  # noqa: PLR0913 - all that `judge` has, and the folder
    source: str,
    target: str,
    options: "tuple[CaptureOptions, CaptureOptions]",
    folder: Path,
    declared: "Declared | None",
    *,
    kept: bool,
) -> Judged:
    from verify.capture.side_by_side import capture_both
    from verify.manifest.file import open_manifest
    from verify.report.progress import Bars, short_name
    from verify.rules.judge_drives import compare

    with Bars(sys.stderr) as bars:
        progress = (
            bars.drive(f"{translated(OLD)} {short_name(source)}"),
            bars.drive(f"{translated(NEW)} {short_name(target)}"),
        )
        paths = capture_both(source, target, folder, options, progress)
    if kept:
        _keep_given_manifests(paths, folder)
    with ThreadPoolExecutor(len(paths)) as pool:
        old, new = pool.map(open_manifest, paths)
    return Judged(compare(old, new, declared=declared), (old, new))


def _keep_given_manifests(paths: tuple[Path, Path], folder: Path) -> None:
    """Copy a manifest that was given, and so not written here, beside the other."""
    for side, path in zip(("source", "target"), paths, strict=True):
        if PLATFORM.real_path(path).parent == PLATFORM.real_path(folder):
            continue
        copy = folder / f"{side}-{path.name}"
        try:
            with path.open("rb") as given, whole_file(copy) as file:
                shutil.copyfileobj(given, file)
        except OSError as error:
            raise OutputError(str(copy), system_words(error)) from error


def tell(
    told: Judged, *, as_document: bool, lang: "LangName | None" = None, brief: bool = False
) -> None:
    """Print a comparison on standard output: for people in their language, or as its document.

    `brief`: for people, the verdict, the findings and what to do alone.

    The document holds every difference besides.
    """
    if as_document:
        from verify.report.comparison_file import with_differences

        emit_parts(with_differences(told.comparison, told.differences()))
        return
    from verify.cli.options import language_of
    from verify.report.comparison_report import build_report
    from verify.report.comparison_screen import print_report
    from verify.rules.catalogue import RULES
    from verify.text.language import speaking

    required = frozenset(rule.slug for rule in RULES if rule.required)
    report = build_report(told.comparison, told.headers, required)
    with speaking(language_of(lang)):
        emit_drawn(lambda console: print_report(console, report, brief=brief))
