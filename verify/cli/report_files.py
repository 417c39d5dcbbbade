"""Where a report goes: checked before anything is read, written whole or not at all."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from verify.cli.options import LangName, PaperName, language_of
from verify.errors import OutputError, UsageError

if TYPE_CHECKING:
    from verify.report.handover import Handover
    from verify.rules.comparison_document import Comparison


@dataclass(frozen=True)
class Reports:
    """The files a report is to be written to, and how; perhaps none."""

    files: tuple[Path, ...]
    names: bool
    paper: str
    language: str

    def handover(self, comparison: "Comparison", seal: str | None = None) -> "Handover":
        """Return the report of a comparison in the edition that was asked for."""
        from verify.report.edition import Edition
        from verify.report.handover import build_handover

        edition = Edition.SHOP if self.names else Edition.CUSTOMER
        return build_handover(comparison, edition, seal=seal)

    def made(self, handover: "Handover", ending: str) -> bytes:
        """Return a report in the format of an ending, on the paper and in the language asked for.

        Raises:
            UsageError: the format needs a library that is not there.
        """
        from verify.report.formats import rendered

        return rendered(handover, ending, self.paper, language=self.language)

    def write(self, comparison: "Comparison", seal: str | None = None) -> None:
        """Write the report of a comparison to every file; `seal` is printed on it.

        Raises:
            OutputError: one of them cannot be written; those before it are there.
        """
        if not self.files:
            return
        from verify.whole_file import whole_file

        handover = self.handover(comparison, seal)
        for path in self.files:
            made = self.made(handover, path.suffix.lower())
            with whole_file(path) as file:
                file.write(made)


def report_files(  # noqa: PLR0913 - what the options of a report say
    paths: list[str] | None,
    inputs: tuple[str, ...],
    *,
    names: bool,
    replace: bool,
    paper: PaperName,
    lang: LangName | None,
) -> Reports:
    """Return where a report goes, once it is clear that it can go there.

    `inputs`: drives and files that are read, which a report is never written over.

    Raises:
        UsageError: a format is unknown or cannot be made here, or a file may not be written.
    """
    files = tuple(Path(path) for path in paths or ())
    if len({path.resolve() for path in files}) < len(files):
        raise UsageError("One file is named twice.", "Name each report once.")
    for path in files:
        _hold_place(path, inputs, replace_it=replace)
        if path.suffix.lower() == ".pdf":
            from verify.report.pdf import layout_library

            layout_library()
    return Reports(files, names, paper.value, language_of(lang))


def _hold_place(path: Path, inputs: tuple[str, ...], *, replace_it: bool) -> None:
    from verify.cli.capture_request import place_for
    from verify.report.formats import ENDINGS, beginnings

    ending = path.suffix.lower()
    if ending not in ENDINGS:
        known = ", ".join(ENDINGS)
        raise UsageError(f"{path}: its ending names no format.", f"Use one of {known}.")
    if place_for(path, inputs, "report", replace_it=replace_it) and not _begins(
        path, beginnings(ending)
    ):
        raise UsageError(f"{path}: is no such report, and is not replaced.", "Name a new file.")


def _begins(path: Path, known: tuple[bytes, ...]) -> bool:
    """Whether a file is one that a report of that format may replace."""
    try:
        with path.open("rb") as file:
            return file.read(max(map(len, known))).startswith(known)
    except OSError as error:
        raise OutputError(str(path), error.strerror or str(error)) from error
