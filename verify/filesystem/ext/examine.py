"""Examining an ext filesystem: what its driver and its checker ask, from the superblock down."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.errors import PastEnd, SourceUnreadable
from verify.filesystem.examination import Examination, Recorder
from verify.filesystem.ext.strict.folders import FolderScan
from verify.filesystem.ext.strict.group_table import check_copies, read_groups
from verify.filesystem.ext.strict.inodes import InodeScan
from verify.filesystem.ext.strict.journal import read_journal
from verify.filesystem.ext.strict.links import LinkCheck
from verify.filesystem.ext.strict.owners import Owners, add_system, check_owners
from verify.filesystem.ext.strict.special import own_apart, read_special
from verify.filesystem.ext.strict.subject import Subject, layout_of
from verify.filesystem.ext.strict.superblock import (
    check_backups,
    check_mount_protection,
    check_superblock,
)
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.source.window import Window


def examine_ext(window: Window, alive: Callable[[], None]) -> Examination:
    """Examine a volume; whatever it holds, this returns.

    Raises:
        SourceVanished: the drive went away.
    """
    structure, allocation = Recorder(), Recorder()
    try:
        layout = layout_of(window)
    except (PastEnd, SourceUnreadable) as error:
        structure.leave_out(say("the whole volume: {error}", error=str(error)))
        allocation.leave_out(say("the whole volume: {error}", error=str(error)))
        return Examination(structure=structure.result(), allocation=allocation.result())
    subject = Subject(window, layout, alive, structure, allocation)
    whole, applied = check_superblock(subject), False
    if whole:
        subject, applied = _with_log(subject)
        whole = (not applied or check_superblock(subject)) and _examine(subject)
    if not whole:
        allocation.leave_out(say("who owns which blocks: the volume's own description is damaged"))
    return Examination(
        structure=structure.result(), allocation=allocation.result(), log_applied=applied
    )


def _with_log(subject: Subject) -> tuple[Subject, bool]:
    """Return the volume as its journal leaves it, and whether anything waited there.

    The driver asks for the descriptors as they are before it reads the journal.
    """
    before = Subject(subject.window, subject.layout, subject.alive)
    table = read_groups(before)
    if table is None:
        return subject, False
    overlay = read_journal(subject, table)
    if overlay is None:
        return subject, False
    window = overlay.window()
    layout = layout_of(window)
    after = Subject(window, layout, subject.alive)
    read_groups(after)
    again = {fault.identity for fault in after.structure.result().faults}
    for fault in before.structure.result().faults:
        if fault.identity not in again:
            subject.structure.fault(fault)
    structure, allocation = subject.structure, subject.allocation
    return Subject(window, layout, subject.alive, structure, allocation), True


def _examine(subject: Subject) -> bool:
    """Whether the examination came to its end."""
    table = read_groups(subject)
    if table is None:
        return False
    check_mount_protection(subject)
    check_backups(subject)
    check_copies(subject, table)
    owners = Owners(subject.layout.groups.cluster_ratio)
    add_system(subject, table, owners)
    special = read_special(subject, table)
    own_apart(subject, table, owners)
    inodes = InodeScan(subject, table, special, owners).run()
    names = FolderScan(subject, inodes.attributes).run(inodes.folders)
    LinkCheck(subject, inodes, names, special).run()
    inodes.attributes.finish()
    if "mmp" in subject.layout.features:
        owners.add(subject.layout.block.number("mmp_block"), 1, 0)
    check_owners(subject, table, owners)
    return True
