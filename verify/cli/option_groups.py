"""Options that several commands share, each group an object that is handed on whole."""

import functools
import inspect
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass

from verify.cli.job_options import (
    ArchiveOption,
    AskOption,
    CustomerOption,
    KeyOption,
    NotesOption,
    SharedOption,
    TechnicianOption,
)
from verify.cli.options import (
    ConfidenceOption,
    DepthOption,
    FormatOption,
    LangOption,
    NamesOption,
    OnePartitionOption,
    PaperOption,
    ReplaceReportOption,
    RetriesOption,
    SampleBlocksOption,
    SampleFilesOption,
    ScratchOption,
    SeedOption,
    SheetOption,
    ShopAddressOption,
    ShopLogoOption,
    ShopOption,
    WholeDriveOption,
)
from verify.settings.settings import in_force


@dataclass(frozen=True, kw_only=True)
class ReadingOptions:
    """How a drive is read."""

    depth: DepthOption = None
    seed: SeedOption = None
    confidence: ConfidenceOption = None
    sample_files: SampleFilesOption = None
    sample_blocks: SampleBlocksOption = None
    scratch: ScratchOption = None
    retries: RetriesOption = 1


@dataclass(frozen=True, kw_only=True)
class ScopeOptions:
    """What the person says that the drives are."""

    one_partition: OnePartitionOption = False
    whole_drive: WholeDriveOption = False


@dataclass(frozen=True, kw_only=True)
class EditionOptions:
    """How a report is written; `None`: as the settings have it."""

    names: NamesOption = None
    replace: ReplaceReportOption = False
    format: FormatOption = None
    paper: PaperOption = None
    lang: LangOption = None
    shop: ShopOption = None
    shop_address: ShopAddressOption = None
    shop_logo: ShopLogoOption = None
    sheet: SheetOption = None

    @property
    def with_names(self) -> bool:
        """Whether the customer's file names are written."""
        return in_force().names if self.names is None else self.names


@dataclass(frozen=True, kw_only=True)
class FilingOptions:
    """Where and how a job is filed; `None`: as the settings have it."""

    archive: ArchiveOption = None
    shared: SharedOption = None
    technician: TechnicianOption = None
    customer: CustomerOption = None
    notes: NotesOption = None
    key: KeyOption = None
    ask: AskOption = False


def with_option_groups(command: Callable[..., int]) -> Callable[..., int]:
    """Let a command take groups of options as objects, which Typer sees as options of their own.

    They stand in the command's help where the group stands among its parameters.
    """
    groups: dict[str, type] = {}
    flat: list[inspect.Parameter] = []
    for parameter in inspect.signature(command, eval_str=True).parameters.values():
        kind = parameter.annotation
        if not (isinstance(kind, type) and is_dataclass(kind)):
            flat.append(parameter)
            continue
        groups[parameter.name] = kind
        flat += inspect.signature(kind).parameters.values()

    @functools.wraps(command)
    def with_objects(**given: object) -> int:
        objects = {
            name: group(**{option.name: given.pop(option.name) for option in fields(group)})
            for name, group in groups.items()
        }
        return command(**given, **objects)

    with_objects.__signature__ = inspect.Signature(flat)  # type: ignore[attr-defined]
    with_objects.__annotations__ = {option.name: option.annotation for option in flat}
    return with_objects
