"""From what was typed to what a capture needs: options checked, places for results kept safe."""

import os
import stat
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from verify.cli.option_groups import ReadingOptions, ScopeOptions
from verify.errors import OutputError, UsageError
from verify.platforms.this import PLATFORM
from verify.settings.settings import in_force
from verify.text.message import say
from verify.text.system_words import system_words
from verify.whole_file import hold_name, make_folder

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.capture.options import CaptureOptions
    from verify.manifest.file import Manifest
    from verify.manifest.header import GivenAs


def given_as(sides: tuple[str, ...], scope: ScopeOptions) -> "GivenAs | None":
    """Return what the person says that the drives to be read are; `None`: nothing is said.

    Raises:
        UsageError: both are said, or no drive is read.
    """
    from verify.manifest.file import is_manifest

    if scope.one_partition and scope.whole_drive:
        raise UsageError(
            say("--one-partition and --whole-drive exclude each other."), say("Give one of them.")
        )
    if not (scope.one_partition or scope.whole_drive):
        return None
    if all(is_manifest(side) for side in sides):
        option = "--one-partition" if scope.one_partition else "--whole-drive"
        advice = say("Use it with `capture`, which reads the drive.")
        raise UsageError(
            say("{option} does not apply: only manifests are given.", option=option), advice
        )
    return "partition" if scope.one_partition else "drive"


def whole_drive_manifest(path: str) -> "Manifest":
    """Open the manifest of a whole drive.

    Raises:
        ManifestError: it cannot be used.
        OnePartition: it is of one partition only.
    """
    from verify.errors import OnePartition
    from verify.manifest.file import open_manifest

    manifest = open_manifest(path)
    if manifest.header.scope == "partition":
        part = manifest.header.drive.part_of
        raise OnePartition(path, *((part.path, part.number) if part else ()))
    return manifest


def capture_options(
    reading: ReadingOptions,
    *,
    beside: tuple[str, ...] = (),
    given_as: "GivenAs | None" = None,
) -> "CaptureOptions":
    """Return the options of a capture; what was not given is as in a manifest of `beside`.

    `beside`: sides of a comparison. Where one is a manifest already, the other drive is read in
    the same depth and drawn with the same key, or the two samples could not be held together.
    """
    options = replace(
        like_the_other_side(beside),
        sample_files=reading.sample_files,
        sample_blocks=reading.sample_blocks,
        scratch=None if reading.scratch is None else existing_folder(reading.scratch),
        retries=reading.retries,
        given_as=given_as,
    )
    confidence = reading.confidence
    if confidence is not None and not 0 < confidence < 1:
        advice = say("Give a share, such as 0.95.")
        raise UsageError(say("--confidence must lie between 0 and 1."), advice)
    if reading.depth is not None:
        options = replace(options, depth=reading.depth.value)
    if reading.seed is not None:
        options = replace(options, seed=reading.seed)
    if confidence is not None:
        options = replace(options, confidence=confidence)
    return options


def views_of(given: list[str] | None) -> dict[int, str]:
    """Return the paths of views by their partitions' numbers, from `N=PATH` each.

    Raises:
        UsageError: one is not written so, or a partition has two.
    """
    views: dict[int, str] = {}
    for text in given or ():
        number, sign, path = text.partition("=")
        if not (sign and path and number.isascii() and number.isdigit()):
            raise UsageError(
                say("{text}: is not written as N=PATH.", text=text),
                say("Give the partition's number and the view, such as 3=/dev/mapper/c3."),
            )
        if int(number) in views:
            raise UsageError(
                say("Partition {number} has two views.", number=int(number)),
                say("Give one of them."),
            )
        views[int(number)] = path
    return views


def with_views(
    options: "CaptureOptions",
    sides: tuple[str, str],
    given: tuple[list[str] | None, list[str] | None],
) -> "tuple[CaptureOptions, CaptureOptions]":
    """Return the options of each side, with the views that were given for it.

    Raises:
        UsageError: a view is not written as one, or its side is a manifest already.
    """
    from verify.manifest.file import is_manifest

    for side, texts in zip(sides, given, strict=True):
        if texts and is_manifest(side):
            advice = say("Give the view to `capture`, when the manifest is made.")
            raise UsageError(say("{side}: is a manifest, so no view is read.", side=side), advice)
    old, new = (replace(options, views=views_of(texts)) for texts in given)
    return old, new


def like_the_other_side(paths: tuple[str, ...]) -> "CaptureOptions":
    """Return the options of the first manifest among `paths`, or the usual ones.

    Where all are manifests nothing will be read, so there is nothing to be like.
    """
    from verify.capture.options import CaptureOptions
    from verify.manifest.file import is_manifest, open_manifest

    manifests = [path for path in paths if is_manifest(path)]
    if not manifests or len(manifests) == len(paths):
        return CaptureOptions(depth=in_force().depth)
    header = open_manifest(manifests[0]).header
    seed, confidence = header.capture.seed, header.capture.confidence
    return CaptureOptions(depth=header.depth, seed=seed, confidence=confidence)


def existing_folder(path: str) -> Path:
    """Return a folder for working files that is there.

    Raises:
        OutputError: it is not there, or is no folder.
        UsageError: it is part of an archive.
    """
    folder = Path(path)
    if not folder.is_dir():
        raise OutputError(
            path, say("there is no such folder"), say("Create it first, or name another folder.")
        )
    _hold_outside_archives(folder)
    return folder


class Place(NamedTuple):
    """Where a result may be written; `taken`: a file is there, which it may replace."""

    file: Path
    taken: bool


def new_file(path: str, drives: tuple[str, ...], *, replace_it: bool) -> Path:
    """Return the path of a manifest to be written: a new file, and never one of the drives.

    `replace_it` lets an older manifest be replaced, and nothing else: an image of a drive that
    stands there by a slip of the hand stays.

    Raises:
        UsageError: it is a drive, a device, a folder, or there already.
        OutputError: there is no such folder.
    """
    from verify.manifest.file import is_manifest

    place = place_for(path, drives, replace_it=replace_it)
    if place.taken and not is_manifest(place.file):
        raise UsageError(
            say("{path}: exists, is not a manifest, and is not replaced.", path=path),
            say("Name a new file."),
        )
    return place.file


def place_for(path: str, inputs: tuple[str, ...], *, replace_it: bool) -> Place:
    """Hold that a result may be written there, and return where that really is.

    A link is followed here, once: what replaces it later would be put where nothing was held.

    Raises:
        UsageError: it is one of the inputs, a device, a folder, part of an archive, there and not
            to be replaced, or has a name that the system does not allow.
        OutputError: there is no such folder.
    """
    file = Path(path)
    if PLATFORM.names_device(path):  # where no file stands by which to see that it is one
        raise _not_a_file(file)
    hold_name(file)
    if any(_is_same(file, one) for one in inputs):
        raise UsageError(
            say("{file}: is one of the inputs.", file=str(file)),
            say("Name another file to write to."),
        )
    if not file.parent.is_dir():
        raise OutputError(
            str(file.parent),
            say("there is no such folder"),
            say("Create it first, or name another folder."),
        )
    _hold_outside_archives(file.parent)
    found = _mode(file)
    if found is None:
        return Place(file, taken=False)
    if not stat.S_ISREG(found):
        raise _not_a_file(file)
    if not replace_it:
        raise UsageError(
            say("{file}: already exists.", file=str(file)),
            say("Name a new file, or give --replace."),
        )
    real = PLATFORM.real_path(file)
    _hold_outside_archives(real.parent)
    return Place(real, taken=True)


def _not_a_file(file: Path) -> UsageError:
    return UsageError(
        say("{file}: is not an ordinary file.", file=str(file)), say("Name a new file.")
    )


def new_folder(path: str) -> Path:
    """Return a folder that is there and empty, made if need be.

    Raises:
        UsageError: there is something in it, it is no folder, it is part of an archive, or the
            system does not allow its name.
        OutputError: it cannot be made.
    """
    folder = Path(path)
    hold_name(folder)
    found = _mode(folder)
    if found is not None and not stat.S_ISDIR(found):
        raise UsageError(say("{path}: is not a folder.", path=path), say("Name a new folder."))
    if found is not None and any(folder.iterdir()):
        raise UsageError(
            say("{path}: is not empty.", path=path), say("Name a new or empty folder.")
        )
    _hold_outside_archives(folder)
    try:
        make_folder(folder)
    except OSError as error:
        raise OutputError(
            path, say("it cannot be made: {reason}", reason=system_words(error))
        ) from error
    return folder


@contextmanager
def kept_folder(path: str | None) -> "Iterator[Path | None]":
    """Give the folder of `--keep`; folders that were made for it and stayed empty go again.

    Raises:
        UsageError, OutputError: as `new_folder` does.
    """
    if path is None:
        yield None
        return
    made = [folder for folder in (Path(path), *Path(path).parents) if not folder.exists()]
    folder = new_folder(path)
    try:
        yield folder
    finally:
        with suppress(OSError):  # the first that holds something ends it
            for empty in made:
                empty.rmdir()


def _hold_outside_archives(folder: Path) -> None:
    """Hold that nothing is written among the jobs of an archive: it would break their seals."""
    from verify.archive.archive import archive_around

    if (root := archive_around(folder)) is not None:
        raise UsageError(
            say(
                "{folder}: belongs to the archive {root}, whose jobs are sealed.",
                folder=str(folder),
                root=str(root),
            ),
            say("Name a folder outside it."),
        )


def _mode(path: Path) -> int | None:
    try:
        return path.stat().st_mode
    except OSError:
        return os.lstat(path).st_mode if path.is_symlink() else None


def _is_same(one: Path, other: str) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return False
