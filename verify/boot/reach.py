"""Which objects of a boot store a start comes by, and every device element with its routes.

From the boot manager's object: what it starts by default, what it offers, what resumes, what
repairs, the options of RAM disks, what objects inherit. A store may name other drives in objects
that no start ever comes by (a real one does, three times): those references count for nothing.

Source: Microsoft Learn (previous versions), the BCD reference's element types.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Literal

from verify.boot.store_record import MissingObject, ReachedBy, Reference

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.boot.store_record import Element, StoreObject

BOOT_MANAGER = "9DEA862C-5CDD-4E70-ACC1-F32B344D4795"

_MANAGER_TYPE = "10100002"
_RESUME_TYPE = "10200004"

_MANAGER_ROUTES: dict[str, ReachedBy] = {
    "23000003": "default",
    "23000006": "resume",
    "24000001": "display-order",
    "24000002": "boot-sequence",
    "24000010": "tools",
}
_ENTRY_ROUTES: dict[str, ReachedBy] = {
    # NOTE: 23000003 is the default object in the boot manager, the resume object in a loader.
    "23000003": "resume",
    "14000008": "recovery",
}
_INHERITED = "14000006"

Purpose = Literal["application", "system", "resume", "options", "store", "other"]

_PURPOSES: dict[str, tuple[Purpose, str]] = {
    "11000001": ("application", "12000002"),
    "21000001": ("system", "22000002"),
    "21000022": ("store", "22000023"),
    "31000003": ("options", "32000004"),
}
"""What a device element is for, and the element with the path on it. Numbers above 1FFFFFFF mean
something only together with the object's type; that of 21000001 differs in a resume object."""


def follow(
    objects: tuple[StoreObject, ...],
) -> tuple[tuple[Reference, ...], tuple[MissingObject, ...]]:
    """Return every device element of a store with its routes, and what is named and missing."""
    by_guid = {item.guid: item for item in objects}
    routes: dict[str, list[ReachedBy]] = {}
    missing: list[MissingObject] = []
    waiting: deque[StoreObject] = deque()
    if BOOT_MANAGER in by_guid:
        routes[BOOT_MANAGER] = ["manager"]
        waiting.append(by_guid[BOOT_MANAGER])
    while waiting:
        here = waiting.popleft()
        for guid, element, route in _named(here):
            taken = _inherit_tool(route, routes[here.guid])
            if guid not in by_guid:
                gap = MissingObject(
                    guid=guid, named_by=here.guid, element=element, reached_by=taken
                )
                missing.append(gap)
            elif taken not in (seen := routes.setdefault(guid, [])):
                # NOTE: an object is visited once a route, so loops end.
                seen.append(taken)
                waiting.append(by_guid[guid])
    references = tuple(
        _reference(item, element, tuple(routes.get(item.guid, ())))
        for item in objects
        for element in item.elements
        if element.device is not None
    )
    return references, tuple(dict.fromkeys(missing))


def _inherit_tool(route: ReachedBy, here: list[ReachedBy]) -> ReachedBy:
    """Return the route on from here: what only a tool leads to is a tool's."""
    return "tools" if here == ["tools"] else route


def _named(item: StoreObject) -> Iterator[tuple[str, str, ReachedBy]]:
    """Yield the objects that an object names: GUID, element, route."""
    manager = item.guid == BOOT_MANAGER or item.type == _MANAGER_TYPE
    routes = _MANAGER_ROUTES if manager else _ENTRY_ROUTES
    for element in item.elements:
        if element.device is not None and element.device.options is not None:
            yield element.device.options, element.number, "options"
        route = "inherited" if element.number == _INHERITED else routes.get(element.number)
        if route is not None:
            for guid in guids_of(element):
                yield guid, element.number, route


def guids_of(element: Element) -> tuple[str, ...]:
    """Return the objects that an element names."""
    if isinstance(element.value, str):
        return (element.value,)
    if isinstance(element.value, tuple):
        return tuple(guid for guid in element.value if isinstance(guid, str))
    return ()


def _reference(item: StoreObject, element: Element, routes: tuple[ReachedBy, ...]) -> Reference:
    assert element.device is not None  # noqa: S101 - the caller chose it for its device
    purpose, named_by = _PURPOSES.get(element.number, ("other", ""))
    if purpose == "system" and item.type == _RESUME_TYPE:
        purpose = "resume"
    path = item.element(named_by)
    return Reference(
        object=item.guid,
        object_type=item.type,
        description=item.description,
        element=element.number,
        purpose=purpose,
        device=element.device,
        path=path.value if path is not None and isinstance(path.value, str) else None,
        reached_by=routes,
    )
