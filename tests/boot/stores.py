"""Boot stores for tests: a small UEFI machine with recovery, in invented names."""

from __future__ import annotations

from tests.boot import devices
from tests.boot.hives import (
    REG_BINARY,
    REG_DWORD,
    REG_MULTI_SZ,
    REG_SZ,
    HiveKey,
    text,
    texts,
    write_hive,
)

MANAGER = "9dea862c-5cdd-4e70-acc1-f32b344d4795"
LOADER = "aaaaaaa1-0000-11ee-8000-00155d000001"
RESUME = "aaaaaaa2-0000-11ee-8000-00155d000001"
RECOVERY = "aaaaaaa3-0000-11ee-8000-00155d000001"
RECOVERY_OPTIONS = devices.OPTIONS.lower()
TESTER = "b2721d73-1db4-4c62-bf78-c548a880142d"
SETTINGS = "7ea2e1ac-2e61-4728-aaa3-896d9d0a9f0e"
FIRMWARE = "aaaaaaa9-0000-11ee-8000-00155d000001"

ESP = "05050505-0000-4000-8000-000000000001"
OTHER_DISK = "99999999-2222-3333-4444-555555555599"


class StoreBuilder:
    """Objects and elements of a store, added one by one."""

    def __init__(self) -> None:
        self.root = HiveKey("NewStoreRoot")
        self.root.add("Description").set("KeyName", REG_SZ, text("BCD00000000"))
        self.root.add("Objects")

    def object(self, guid: str, kind: int) -> None:
        """Add an object of a type."""
        key = self.root.add("Objects", "{" + guid + "}")
        key.add("Description").set("Type", REG_DWORD, kind.to_bytes(4, "little"))
        key.add("Elements")

    def raw(self, guid: str, number: str, kind: int, data: bytes) -> None:
        """Add an element as stored."""
        key = self.root.add("Objects", "{" + guid + "}", "Elements", number)
        key.set("Element", kind, data)

    def device(self, guid: str, number: str, device: bytes, options: str | None = None) -> None:
        """Add a device element."""
        self.raw(guid, number, REG_BINARY, devices.element(device, options))

    def string(self, guid: str, number: str, value: str) -> None:
        """Add a string element."""
        self.raw(guid, number, REG_SZ, text(value))

    def link(self, guid: str, number: str, *guids: str) -> None:
        """Add an object element, or a list of objects where the number's format says so."""
        braced = ["{" + item + "}" for item in guids]
        if number[1] == "4":
            self.raw(guid, number, REG_MULTI_SZ, texts(*braced))
        else:
            self.raw(guid, number, REG_SZ, text(braced[0]))

    def write(self) -> bytes:
        """Return the hive."""
        return write_hive(self.root)


def small_store(
    esp: bytes = devices.gpt(ESP),
    system: bytes = devices.gpt(),
    recovery: bytes = devices.gpt(devices.RECOVERY_PARTITION),
    *,
    manager: str = "\\EFI\\Microsoft\\Boot\\bootmgfw.efi",
    loader: str = "\\Windows\\system32\\winload.efi",
) -> StoreBuilder:
    """Boot manager, loader, resume, recovery with options, a tester, another drive's entry.

    Args:
        esp: the device that the boot manager lies on.
        system: the device of the system.
        recovery: the device of the recovery image.
        manager: the boot manager's path.
        loader: the system's loader.
    """
    store = StoreBuilder()
    store.object(MANAGER, 0x10100002)
    store.device(MANAGER, "11000001", esp)
    store.string(MANAGER, "12000002", manager)
    store.link(MANAGER, "14000006", SETTINGS)
    store.link(MANAGER, "23000003", LOADER)
    store.link(MANAGER, "23000006", RESUME)
    store.link(MANAGER, "24000001", LOADER)
    store.link(MANAGER, "24000010", TESTER)
    store.raw(MANAGER, "25000004", REG_BINARY, (30).to_bytes(8, "little"))
    store.object(SETTINGS, 0x20100000)
    store.object(LOADER, 0x10200003)
    store.device(LOADER, "11000001", system)
    store.string(LOADER, "12000002", loader)
    store.string(LOADER, "12000004", "Some System")
    store.link(LOADER, "14000008", RECOVERY)
    store.raw(LOADER, "16000009", REG_BINARY, b"\1")
    store.raw(LOADER, "17000077", REG_BINARY, (0x15000075).to_bytes(8, "little"))
    store.device(LOADER, "21000001", system)
    store.string(LOADER, "22000002", "\\Windows")
    store.link(LOADER, "23000003", RESUME)
    store.object(RESUME, 0x10200004)
    store.device(RESUME, "11000001", system)
    store.device(RESUME, "21000001", system)
    store.string(RESUME, "22000002", "\\hiberfil.sys")
    store.object(RECOVERY, 0x10200003)
    image = devices.ramdisk(recovery, "\\Recovery\\WindowsRE\\Winre.wim")
    store.device(RECOVERY, "11000001", image, RECOVERY_OPTIONS)
    store.device(RECOVERY, "21000001", image, RECOVERY_OPTIONS)
    store.object(RECOVERY_OPTIONS, 0x30000000)
    store.device(RECOVERY_OPTIONS, "31000003", recovery)
    store.string(RECOVERY_OPTIONS, "32000004", "\\Recovery\\WindowsRE\\boot.sdi")
    store.object(TESTER, 0x10200005)
    store.device(TESTER, "11000001", esp)
    store.object(FIRMWARE, 0x101FFFFF)
    store.device(FIRMWARE, "11000001", devices.gpt(ESP, OTHER_DISK))
    return store
