"""Where a report goes: checked before anything is read, written whole or not at all."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from verify.cli.option_groups import EditionOptions
from verify.cli.options import language_of
from verify.errors import OutputError, UsageError
from verify.platforms.this import PLATFORM
from verify.settings.settings import in_force
from verify.text.message import say
from verify.text.system_words import system_words

if TYPE_CHECKING:
    from verify.report.handover import Handover
    from verify.report.letterhead import Letterhead
    from verify.rules.comparison_document import Comparison


@dataclass(frozen=True)
class Reports:
    """The files a report is to be written to, and how; perhaps none."""

    files: tuple[Path, ...]
    replace: bool
    names: bool
    paper: str
    language: str
    shop: "Letterhead"
    sheets: tuple[Path, ...] = ()

    @property
    def places(self) -> tuple[Path, ...]:
        """Every file that is written, none of which may lie on a drive that is checked."""
        return self.files + self.sheets

    def handover(self, comparison: "Comparison", seal: str | None = None) -> "Handover":
        """Return the report of a comparison in the edition that was asked for."""
        from verify.report.edition import Edition
        from verify.report.handover import build_handover

        edition = Edition.SHOP if self.names else Edition.CUSTOMER
        return build_handover(comparison, edition, seal=seal, shop=self.shop)

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
        if not self.files and not self.sheets:
            return
        from verify.whole_file import whole_file

        handover = self.handover(comparison, seal)
        for path in self.files:
            made = self.made(handover, path.suffix.lower())
            with whole_file(path, replace=self.replace) as file:
                file.write(made)
        self._write_sheets(comparison, seal)

    def _write_sheets(self, comparison: "Comparison", seal: str | None) -> None:
        """Write the customer's sheet, which has no file names whatever was asked for."""
        from verify.report.sheet import rendered_sheet
        from verify.whole_file import whole_file

        handover = replace(self, names=False).handover(comparison, seal)
        for path in self.sheets:
            made = rendered_sheet(handover, path.suffix.lower(), self.paper, self.language)
            with whole_file(path, replace=self.replace) as file:
                file.write(made)


def report_files(
    paths: list[str] | None, inputs: tuple[str, ...], edition: EditionOptions
) -> Reports:
    """Return where a report goes, once it is clear that it can go there.

    `inputs`: drives and files that are read, which a report is never written over.

    Raises:
        UsageError: a format is unknown or cannot be made here, or a file may not be written.
    """
    held = in_force()
    formats = held.formats if edition.format is None else tuple(edition.format)
    named = [one for path in paths or () for one in _with_endings(path, formats)]
    files = tuple(_held_place(path, inputs, replace_it=edition.replace) for path in named)
    sheets = tuple(_sheet_place(path, inputs, edition) for path in edition.sheet or ())
    if len(set(map(PLATFORM.real_path, files + sheets))) < len(files + sheets):
        raise UsageError(say("One file is named twice."), say("Name each report once."))
    paper = held.paper if edition.paper is None else edition.paper.value
    language = language_of(edition.lang)
    shop = _letterhead(edition)
    return Reports(files, edition.replace, edition.with_names, paper, language, shop, sheets)


def _letterhead(edition: EditionOptions) -> "Letterhead":
    """Return the head of the page: what options say of the shop, else the settings.

    Raises:
        UsageError: a text cannot stand there.
        LogoUnusable: the logo cannot.
    """
    from verify.report.letterhead import Letterhead, read_logo
    from verify.settings.settings import given_or_set

    name, address, logo = (
        given_or_set(key, given)
        for key, given in (
            ("shop.name", edition.shop),
            ("shop.address", edition.shop_address),
            ("shop.logo", edition.shop_logo),
        )
    )
    return Letterhead(
        None if name is None else str(name),
        () if address is None else tuple(str(address).splitlines()),
        None if logo is None else read_logo(Path(str(logo))),
    )


def _with_endings(path: str, formats: tuple[str, ...]) -> list[str]:
    """Return a report's file; of a name without an ending one for each of the formats set."""
    if Path(path).suffix or not formats:
        return [path]
    return [f"{path}.{name}" for name in dict.fromkeys(formats)]


def _held_place(path: str, inputs: tuple[str, ...], *, replace_it: bool) -> Path:
    from verify.cli.capture_request import place_for
    from verify.report.formats import FORMATS, beginnings

    _hold_ending(path, FORMATS)
    place = place_for(path, inputs, replace_it=replace_it)
    ending = _hold_ending(place.file, FORMATS)
    if place.taken and not _begins(place.file, beginnings(ending)):
        raise UsageError(
            say("{path}: exists, is not such a report, and is not replaced.", path=path),
            say("Name a new file."),
        )
    if (ready := FORMATS[ending].ready) is not None:
        ready()
    return place.file


def _sheet_place(path: str, inputs: tuple[str, ...], edition: EditionOptions) -> Path:
    from verify.report.sheet import SHEET_ENDINGS

    _hold_ending(path, SHEET_ENDINGS)
    return _held_place(path, inputs, replace_it=edition.replace)


def _hold_ending(path: str | Path, known: Iterable[str]) -> str:
    """Return the ending of a file's name, which says its format.

    Raises:
        UsageError: it says none.
    """
    ending = Path(path).suffix.lower()
    if ending not in known:
        raise UsageError(
            say("{path}: unknown file type.", path=str(path)),
            say("Use one of {known}.", known=", ".join(known)),
        )
    return ending


def _begins(path: Path, known: tuple[bytes, ...]) -> bool:
    """Whether a file is one that a report of that format may replace."""
    try:
        with path.open("rb") as file:
            return file.read(max(map(len, known))).startswith(known)
    except OSError as error:
        raise OutputError(str(path), system_words(error)) from error
