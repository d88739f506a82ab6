"""What a controller tells of itself, for a person who wants to know all of it: versions, clock, store."""

from __future__ import annotations

from typing import Any

from dosewright.hil.messages import Held, Identity, Slot

HELD = {
    Held.NONE: "nothing is in force",
    Held.BUILT_IN: "in force is what the firmware was built with",
    Held.STORED: "in force is what was loaded",
}
SLOTS = {  # one that was superseded need hold no record: the first upload marks the other slot so
    Slot.UNUSED: "empty",
    Slot.OPEN: "an upload that was not finished",
    Slot.COMMITTED: "loaded",
    Slot.SUPERSEDED: "not in force",
}


def lines(name: str, found: Identity) -> list[str]:
    """Everything of *identify* but the cause of the last restart, which has its own words."""
    engine, tick = ".".join(map(str, found.engine)), f"{found.tick_us / 1000:g} ms"
    return [
        f"{name}: {f'unit {found.unit}' if found.unit else 'a unit without a name'}, engine {engine}",
        f"  link: protocol {found.protocol}, frames of {found.frame_limit} bytes at most; its clock counts "
        f"ticks of {tick}",
        f"  built for: interface {found.interface:08x}, build {found.build.hex()}; "
        f"{found.channels} channels, {found.outputs} outputs, {found.interlocks} interlocks, "
        f"{found.buttons} buttons and contacts",
        f"  recipes: format {found.recipes_format}; {_store(found.recipes, found.slots[b'R'])}",
        f"  calibration: format {found.calibration_format}; {_store(found.calibration, found.slots[b'C'])}",
    ]


def as_json(found: Identity) -> dict[str, Any]:
    """The same as data; ``tick_us`` in microseconds, ``frame_limit`` in bytes."""
    return {
        "unit": found.unit,
        "engine": ".".join(map(str, found.engine)),
        "protocol": found.protocol,
        "frame_limit": found.frame_limit,
        "tick_us": found.tick_us,
        "interface": f"{found.interface:08x}",
        "build": found.build.hex(),
        "channels": found.channels,
        "outputs": found.outputs,
        "interlocks": found.interlocks,
        "buttons": found.buttons,
        "recipes": _record(found.recipes_format, found.recipes, found.slots[b"R"]),
        "calibration": _record(found.calibration_format, found.calibration, found.slots[b"C"]),
    }


def _store(held: Held, slots: tuple[Slot, Slot]) -> str:
    told = ", ".join(f"slot {index}: {SLOTS[slot]}" for index, slot in enumerate(slots))
    return f"{HELD[held]}; {told}"


def _record(version: int, held: Held, slots: tuple[Slot, Slot]) -> dict[str, Any]:
    return {
        "format": version,
        "in_force": held.name.lower().replace("_", " "),
        "slots": [slot.name.lower() for slot in slots],
    }
