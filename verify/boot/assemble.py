"""One partition's boot record, from the files that `collect` asks for.

A file that cannot be made sense of stands in the record with its problem; it never stops the
rest. Files are taken one at a time, so that whoever hands them in need not hold them all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypeVar

from verify.boot.bcd import read_store
from verify.boot.boot_ini import read_boot_ini
from verify.boot.boot_record import (
    BootRecord,
    Initramfs,
    LinuxReference,
    LoaderImage,
    RecoveryConfig,
    RecoveryImage,
    SeenFile,
    Setting,
    StartEntry,
    SystemRegistry,
)
from verify.boot.bootcode import read_boot_sector_code
from verify.boot.collect import Role, wanted_file
from verify.boot.file_form import FileForm
from verify.boot.forms import examine_form
from verify.boot.initramfs import read_initramfs
from verify.boot.linux_config import read_configuration, read_kernel_config
from verify.boot.pe import read_image_header
from verify.boot.reagent import read_recovery_config
from verify.boot.registry import read_system
from verify.boot.store_record import BootStore
from verify.boot.wim import read_image
from verify.errors import StructureError
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Mapping

    from verify.boot.form_reading import Read

MOST_FILES = 2_000
"""Files looked at on one partition; a system with every loader in place has about a hundred."""

Part = (
    BootStore
    | Initramfs
    | LinuxReference
    | LoaderImage
    | RecoveryConfig
    | RecoveryImage
    | Setting
    | StartEntry
    | SystemRegistry
)
T = TypeVar("T")
Hive = TypeVar("Hive", BootStore, SystemRegistry)
Reader = Callable[[bytes, str, int | None], Iterable[Part]]

READERS: dict[Role, Reader] = {
    "store": lambda data, path, _: (read_store(data, path),),
    "loader": lambda data, path, size: (read_image_header(data, path, size),),
    "recovery-config": lambda data, path, _: (read_recovery_config(data, path),),
    "image": lambda data, path, size: (read_image(data, path, size),),
    "registry": lambda data, path, _: (read_system(data, path),),
    "linux": lambda data, path, _: read_configuration(data, path),
    "kernel-config": lambda data, path, _: read_kernel_config(data, path),
    "initramfs": lambda data, path, _: (read_initramfs(data, path),),
    "start-list": lambda data, path, _: read_boot_ini(data, path),
}
"""How each role's files are read: their bytes, path and length."""

FAILED: dict[Role, Callable[[str, str], Part]] = {
    "store": lambda path, problem: BootStore(path=path, state=None, problems=(problem,)),
    "recovery-config": lambda path, problem: RecoveryConfig(path=path, problem=problem),
    "registry": lambda path, problem: SystemRegistry(path=path, state=None, problems=(problem,)),
}
"""What stands for a file that is only of use whole and cannot be read."""

WHOLE: frozenset[Role] = frozenset({*FAILED, "linux", "kernel-config", "initramfs", "start-list"})
"""Roles whose files are handed over whole, unless they are larger than any real one."""


@dataclass(slots=True)
class Assembly:
    """Gathers one partition's boot record; `kind` is its filesystem."""

    kind: str
    _parts: list[Part] = field(default_factory=list)
    _logs: list[str] = field(default_factory=list)
    _files: list[SeenFile] = field(default_factory=list)
    _problems: list[str] = field(default_factory=list)
    _forms: list[FileForm] = field(default_factory=list)

    def hold(self, path: str, size_bytes: int, read: Read) -> None:
        """Hold a file to the format that its path promises, if any; `read`: see `examine_form`.

        Raises:
            Whatever `read` raises.
        """
        wanted = wanted_file(path, self.kind)
        if wanted is not None and wanted.form is not None and len(self._forms) < MOST_FILES:
            self._forms.append(
                examine_form(path, wanted.form, size_bytes, read, whole=wanted.boot_set)
            )

    def not_held(self, path: str, reason: str) -> None:
        """Note why a file could not be held to its format."""
        wanted = wanted_file(path, self.kind)
        if wanted is not None and wanted.form is not None and len(self._forms) < MOST_FILES:
            self._forms.append(FileForm(path=path, unread=reason))

    def add(self, path: str, data: bytes, size_bytes: int | None = None) -> None:
        """Take one file: its path, its leading bytes (see `wanted_bytes`) and its length.

        A path that `collect` does not want is passed over.
        """
        wanted = wanted_file(path, self.kind)
        if wanted is None or not wanted.leading_bytes or not self._has_room(path, size_bytes):
            return
        role = wanted.role
        cut = ""
        if size_bytes is not None and role in WHOLE and len(data) < size_bytes:
            cut = say(
                "only {count} of its {size_bytes} bytes were read",
                count=len(data),
                size_bytes=size_bytes,
            )
        if role == "log":
            if any(data):
                self._logs.append(path)
            return
        if cut:
            self._fail(role, path, cut)
        if cut and role in FAILED:
            return
        try:
            self._parts.extend(READERS[role](data, path, size_bytes))
        except StructureError as error:
            self._fail(role, path, str(error))

    def unreadable(self, path: str, reason: str) -> None:
        """Note a wanted file that is there and could not be read."""
        self.not_held(path, reason)
        wanted = wanted_file(path, self.kind)
        if wanted is not None and wanted.leading_bytes and self._has_room(path, None):
            self._fail(wanted.role, path, reason)

    def record(self, head: bytes = b"") -> BootRecord:
        """Return what was gathered.

        Args:
            head: the partition's first 1,024 bytes or more; empty where they could not be read.
        """
        code = None
        if head:
            try:
                code = read_boot_sector_code(head, self.kind)
            except StructureError as error:
                self._problems.append(str(error))
        return BootRecord(
            stores=tuple(self._with_logs(store) for store in self._of(BootStore)),
            loaders=self._of(LoaderImage),
            recovery=self._of(RecoveryConfig),
            images=self._of(RecoveryImage),
            registry=next((self._with_logs(hive) for hive in self._of(SystemRegistry)), None),
            linux=self._of(LinuxReference),
            kernel_settings=self._of(Setting),
            initramfs=self._of(Initramfs),
            code=code,
            start_list=self._of(StartEntry),
            files=tuple(self._files),
            problems=tuple(self._problems),
            forms=tuple(self._logged(form) for form in self._forms),
        )

    def _has_room(self, path: str, size_bytes: int | None) -> bool:
        if len(self._files) >= MOST_FILES:
            problem = say(
                "more than {most_files} files: the rest was not looked at", most_files=MOST_FILES
            )
            if problem not in self._problems:
                self._problems.append(problem)
            return False
        self._files.append(SeenFile(path=path, size_bytes=size_bytes))
        return True

    def _fail(self, role: Role, path: str, problem: str) -> None:
        if role in FAILED:
            self._parts.append(FAILED[role](path, problem))
        else:
            self._problems.append(f"{path}: {problem}")

    def _of(self, kind: type[T]) -> tuple[T, ...]:
        return tuple(part for part in self._parts if isinstance(part, kind))

    def _with_logs(self, hive: Hive) -> Hive:
        if hive.state is None:
            return hive
        return replace(hive, state=replace(hive.state, logs=self._logs_of(hive.path)))

    def _logged(self, form: FileForm) -> FileForm:
        logged = form.form == "hive" and bool(self._logs_of(form.path))
        return replace(form, logged=logged) if logged else form

    def _logs_of(self, path: str) -> tuple[str, ...]:
        front = f"{path}.LOG".lower()
        return tuple(log for log in self._logs if log.lower().startswith(front))


def assemble(
    files: Mapping[str, bytes],
    kind: str,
    sizes: Mapping[str, int] | None = None,
    head: bytes = b"",
) -> BootRecord:
    """Return one partition's boot record.

    Args:
        files: the leading bytes of its wanted files, by path (see `collect.wanted_bytes`).
        kind: its filesystem.
        sizes: the whole lengths of those files, where known.
        head: the partition's first 1,024 bytes or more, where they could be read.
    """
    assembly = Assembly(kind)
    for path, data in files.items():
        assembly.add(path, data, (sizes or {}).get(path))
    return assembly.record(head)
