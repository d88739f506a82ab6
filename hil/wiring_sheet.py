"""The wiring sheet: one line a pin, to hang beside the machine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from dosewright.gen.project import Project
from dosewright.gen.render import render
from dosewright.hil.wiring import STATE, Seen, Wire

# Keeps a gate or a driver's input off against leakage, and costs little current: common practice, no source.
RESISTOR = "10 kΩ"


def sheet(project: Project, wires: Sequence[Wire], seen: Sequence[Seen] = ()) -> str:
    """The sheet as Markdown, in the order of the board's pins; with what a walk saw if there was one."""
    order = {pin: index for index, pin in enumerate(project.target.pin)}
    found = {item.wire.label: item for item in seen}
    heads = ["pin", "way", "wire to", "level", "external resistor", *(["walked"] if seen else [])]
    rows = [
        [
            wire.pin.name,
            "output" if wire.is_output else "input",
            _cell(f"{wire.label} ({wire.what})"),
            f"{STATE.get(wire.table, 'on')} at {'high' if wire.pin.active_high else 'low'}",
            _resistor(wire),
            *([_walked(wire, found)] if seen else []),
        ]
        for wire in sorted(wires, key=lambda wire: order[wire.pin.name])
    ]
    return render(
        "wiring.md.j2",
        name=_cell(project.machine.machine.name),
        title=project.target.title,
        heads=heads,
        rows=rows,
    )


def _resistor(wire: Wire) -> str:
    if wire.is_output:
        return f"{RESISTOR} to {'ground' if wire.pull == 'down' else 'the supply'}: off in a reset"
    return "none: pulled up inside" if wire.pull == "up" else f"{RESISTOR} to ground"


def _walked(wire: Wire, found: Mapping[str, Seen]) -> str:
    seen = found[wire.label]
    if seen.not_tried:
        return "not tried"
    if not seen.places:
        return "nothing seen"
    label, place = seen.places[0]
    right = (
        len(seen.places) == 1
        and label == wire.label
        and place.wire == wire
        and place.active_high == wire.pin.active_high
        and not (seen.closed_without_wire and wire.broken_is_active(not wire.pin.active_high))
    )
    return "as written" if right else "DIFFERS"


def _cell(text: str) -> str:
    """A name inside a table: what would end its cell or its line is no part of it."""
    return " ".join(text.replace("\\", "\\\\").replace("|", "\\|").split())
