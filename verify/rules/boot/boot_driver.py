r"""The system has no start-up driver for the way the new drive is connected.

## What it compares
The storage drivers that the Windows registry starts with the loader, and those in each initial RAM
filesystem or built into the kernel of Linux, with the new drive's connection (SATA, NVMe), where
the old drive's is another one. For a drive on the bench: as it is attached now.

## Why it matters
The loader reads the drive by the firmware, the system by its own driver. If that is not there from
the start, the system stops at its first start, with every file in place.

## Levels
- `stop`: Windows starts no driver for the new connection with the loader.
- `review`: an initial RAM filesystem does not bring the driver and the kernel has it not built in;
  a system that starts by BIOS alone was moved to NVMe, which few machines start from by BIOS.
- not examined: the connection is not known (images, drives in a USB adapter), or the drivers are
  not. A controller's mode (RAID, AHCI) lies in the machine: no drive tells it.

## What to do
Wipe the new drive, attach it empty beside the old one and let the old system start once, so that it
sets the driver up, then clone again; or set the driver to start with the loader. (Never start a
machine with both drives attached while the new one is a clone.)

## Sources
Microsoft Learn, "HKLM\SYSTEM\CurrentControlSet\Services Registry Tree" (Start); names of drivers
and that StartOverride keeps one out: common practice. Linux: its kernel's configuration.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.boot.resolve import any_starts, records
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import is_efi_system, starts_by_bios
from verify.text.message import joined, say

if TYPE_CHECKING:
    from verify.boot.boot_record import BootRecord, SystemRegistry
    from verify.manifest.header import Partition
    from verify.rules.rule import Case, RuleAnswer

_WINDOWS = {
    "nvme": ("stornvme", "nvme", "secnvme", "iastorvd", "iastorac", "iastoravc", "vmd"),
    "sata": ("storahci", "msahci", "atapi", "iastor", "amdsata", "amdxata", "pciide", "rcraid"),
}
"""Beginnings of the names of Windows drivers for a connection."""

_LINUX = {
    "nvme": ({"nvme"}, {"CONFIG_BLK_DEV_NVME"}),
    "sata": ({"ahci", "ata_piix"}, {"CONFIG_SATA_AHCI", "CONFIG_ATA_PIIX"}),
    "mmc": ({"mmc_block"}, {"CONFIG_MMC_BLOCK"}),
}
"""Modules, and options of a kernel that has the driver built in."""

_SET_UP = say(
    "Start the old system once with the new drive attached and empty (never"
    " as a clone), so that it installs the driver; then clone again."
)


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge the drivers of every system on the target."""
    if not any_starts(case):
        return
    old, new = case.source.drive.bus, case.target.drive.bus
    systems = [item for item in records(case.target) if _is_system(item[1])]
    if not systems:
        return
    if new not in _LINUX:
        how = say("by USB") if new == "usb" else say("in a way that was not reported")
        answer.leave_out(
            say(
                "the new drive is attached {how}; the driver it will need in the"
                " computer is not known",
                how=how,
            )
        )
        return
    if old == new:
        answer.compared(len(systems))
        return
    efi = any(map(is_efi_system, case.target.partitions))
    if new == "nvme" and starts_by_bios(case.target) and not efi:
        answer.find(
            Level.REVIEW,
            say("The system starts by BIOS only, and the new drive is an NVMe drive."),
            say("Check that this computer's firmware can start an NVMe drive by BIOS."),
            source=old,
            target=new,
        )
    for partition, record in systems:
        if record.registry is not None:
            _judge_windows(answer, partition, record.registry, new)
        _judge_linux(answer, partition, record, new)


def _is_system(record: BootRecord) -> bool:
    return record.registry is not None or bool(record.initramfs)


def _judge_windows(
    answer: RuleAnswer, partition: Partition, registry: SystemRegistry, bus: str
) -> None:
    if bus not in _WINDOWS or not registry.drivers:
        answer.leave_out(
            say("the storage drivers in {path} could not be determined", path=registry.path)
        )
        return
    answer.compared()
    fitting = [item for item in registry.drivers if item.name.lower().startswith(_WINDOWS[bus])]
    if not any(item.starts_with_loader for item in fitting):
        names = joined(item.name for item in fitting) if fitting else say("none found")
        answer.find(
            Level.STOP,
            say(
                "No storage driver for {bus} is set to load at startup ({names}).",
                bus=bus.upper(),
                names=names,
            ),
            _SET_UP,
            partition=partition.number,
            path=registry.path,
            target=bus,
        )


def _judge_linux(answer: RuleAnswer, partition: Partition, record: BootRecord, bus: str) -> None:
    modules, options = _LINUX[bus]
    for image in record.initramfs:
        version = _version(image.path)
        built_in = any(
            item.attribute in options and item.value == "y" and _version(item.name) == version
            for item in record.kernel_settings
        )
        if not built_in and not modules & set(image.drivers) and image.problem:
            answer.leave_out(
                say(
                    "the drivers in {path} could not be determined: {problem}",
                    path=image.path,
                    problem=image.problem,
                )
            )
            continue
        answer.compared()
        if not built_in and not modules & set(image.drivers):
            answer.find(
                Level.REVIEW,
                say("{path} contains no driver for {bus}.", path=image.path, bus=bus.upper()),
                say("Rebuild the initial RAM filesystem on the new drive, with the driver in it."),
                partition=partition.number,
                path=image.path,
                target=bus,
            )


def _version(path: str) -> str:
    """Return the kernel's version in the name of one of its files."""
    return path.rpartition("/")[2].partition("-")[2].removesuffix(".img")


RULE = Rule(
    slug="boot-driver",
    area=Area.BOOT,
    required=False,
    judge=judge,
    nothing=say("no system that could start was found on the new drive"),
    page=cleandoc(__doc__),
)
