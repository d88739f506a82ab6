"""What is wired to what: as the machine file says, as a walk along the wires found it, and what follows.

Pure conclusions: nothing here talks to a rig or to a person.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dosewright.gen.compiled import Pin
from dosewright.gen.locate import Path as KeyPath
from dosewright.gen.lower import Compiled
from dosewright.gen.models.base import Table
from dosewright.gen.models.machine import Button, Interlock
from dosewright.gen.project import Project
from dosewright.hil.record import inputs_of

ACTIVE = {"channel": "on_when", "stage": "on_when", "interlock": "closed_when", "button": "pressed_when"}


@dataclass(frozen=True, slots=True)
class Wire:
    """One pin of the machine file and what hangs on it.

    ``table`` and ``name`` say where in machine.toml, ``label`` what a person calls it; ``index`` is the
    output's, or the input's (interlocks first). ``pull`` is where the pin is pulled.
    """

    table: str
    name: str
    label: str
    what: str
    pin: Pin
    index: int
    pull: str

    @property
    def is_output(self) -> bool:
        return self.table in ("channel", "stage")

    def broken_is_active(self, active_high: bool) -> bool:
        """Whether an input without its wire reads as closed (pressed), if that is at this level."""
        return active_high == (self.pull == "up")


@dataclass(frozen=True, slots=True)
class Place:
    """Where something really is: the pin, by the wire the file has there, and the level of on or closed."""

    wire: Wire
    active_high: bool


@dataclass(frozen=True, slots=True)
class Seen:
    """What a walk found out about one wire; ``places`` is empty where nothing answered.

    Of an output: what moved when this wire's pin was switched on, by label, each with the level that it is on
    at. Of an input: the pins that changed when this switch was moved. ``not_tried`` is a reason.
    ``closed_without_wire``: it read as closed (pressed) with its wire off; None where that was not tried.
    """

    wire: Wire
    places: tuple[tuple[str, Place], ...] = ()
    not_tried: str = ""
    closed_without_wire: bool | None = None


@dataclass(frozen=True, slots=True)
class Conclusion:
    """``findings`` in plain words; ``changes`` mends the file; ``by_hand`` is what a person has to do."""

    findings: tuple[str, ...]
    changes: Mapping[KeyPath, str]
    by_hand: tuple[str, ...]


def wires(project: Project, compiled: Compiled) -> tuple[Wire, ...]:
    """Every wire of the machine: interlocks, buttons, channels, stages that have a pin."""
    machine, made = project.machine, compiled.machine
    tables: list[tuple[str, str, str, Pin | None, int, str]] = []
    switches: list[tuple[str, str, Interlock | Button]] = [
        *(("interlock", name, lock) for name, lock in machine.interlock.items()),
        *(("button", name, button) for name, button in machine.button.items()),
    ]
    inputs = inputs_of(made)
    for index, (table, name, switch) in enumerate(switches):
        what = "switch" if isinstance(switch, Interlock) else f"button: {switch.does}"
        tables.append((table, name, what, inputs[index].pin, index, switch.pull))
    for index, output in enumerate(made.outputs):
        if output.is_stage:
            tables.append(
                ("stage", output.name, "stage", output.pin, index, machine.stage[output.name].pull or "")
            )
        else:
            channel = machine.channel[output.name]
            tables.append(("channel", output.name, channel.actuator, output.pin, index, channel.pull))
    names = [name for _, name, _, pin, _, _ in tables if pin]
    return tuple(
        Wire(table, name, name if names.count(name) == 1 else f"{table} {name}", what, pin, index, pull)
        for table, name, what, pin, index, pull in tables
        if pin
    )


def conclude(project: Project, seen: Sequence[Seen], running: Sequence[str] = ()) -> Conclusion:
    """What is wrong, and the file's cure; ``running`` is what ran although every output was off."""
    findings: list[str] = []
    found: dict[str, list[Place]] = {}
    known = {item.wire.label: item.wire for item in seen}
    for item in seen:
        findings += _of_one(item, project)
        if len(item.places) == 1:
            label, place = item.places[0]
            found.setdefault(label, []).append(place)
    moves: dict[str, Place] = {}
    for label, wire in known.items():
        places = found.get(label, [])
        if not places:
            continue
        if len(places) > 1:
            pins = " and ".join(place.wire.pin.name for place in places)
            findings.append(f"{label} answers at pins {pins}: two wires touch, or go to one driver")
            continue
        (place,) = places
        told = _misplaced(wire, place)
        findings += told
        if told:
            moves[label] = place
    explained = {label for label, place in moves.items() if place.active_high != place.wire.pin.active_high}
    findings += [
        f"{label} runs while every output is off: look at its driver and at the wire of its pin"
        for label in running
        if label not in explained
    ]
    changes, by_hand = _mend(project, known, moves)
    return Conclusion(tuple(findings), changes, tuple(by_hand))


def _of_one(item: Seen, project: Project) -> list[str]:
    """What is wrong at one wire without regard to the others."""
    wire, pin = item.wire, item.wire.pin.name
    if item.not_tried:
        return [f"{wire.label}: not tried: {item.not_tried}"]
    told = []
    if not item.places and wire.is_output:
        told.append(f"nothing moved at pin {pin} ({wire.label}): look at its wire, its driver and the supply")
    elif not item.places:
        told.append(
            f"{wire.label}: the controller saw nothing when it was moved: look at its wire to pin {pin} and "
            "at ground"
        )
    elif len(item.places) > 1:
        names = ", ".join(label if wire.is_output else place.wire.pin.name for label, place in item.places)
        what = f"pin {pin} moved" if wire.is_output else f"{wire.label} changed pins"
        told.append(f"{what} several at once ({names}): two wires touch, or share a driver or a ground")
    if item.closed_without_wire and not _accepted(wire, project):
        state = "closed" if wire.table == "interlock" else "pressed"
        told.append(
            f"{wire.label} reads as {state} with its wire off: a broken wire would go unnoticed; look for a "
            f"short at pin {pin}, and use a contact that is closed in the good state"
        )
    return told


def _accepted(wire: Wire, project: Project) -> bool:
    """Whether a broken wire may read as closed, or as pressed, which for a stop button is right."""
    if wire.table == "button":
        return project.machine.button[wire.name].does == "stop"
    return project.machine.interlock[wire.name].broken_wire == "acknowledged"


def _misplaced(wire: Wire, place: Place) -> list[str]:
    told = []
    if place.wire.pin.name != wire.pin.name:
        told.append(f"{wire.label} is on pin {place.wire.pin.name}, not on {wire.pin.name} as the file says")
    if place.active_high != wire.pin.active_high:
        state = {"interlock": "closed", "button": "pressed"}.get(wire.table, "on")
        told.append(
            f"{wire.label} is {state} when its pin is {_level(place.active_high)}, "
            f"not {_level(wire.pin.active_high)} as the file says"
        )
    return told


def _mend(
    project: Project, known: Mapping[str, Wire], moves: Mapping[str, Place]
) -> tuple[dict[KeyPath, str], list[str]]:
    """The values to change. What would put two on one pin, or hide a broken wire, is left to the person."""
    by_hand: list[str] = []
    kept = dict(moves)
    for label, place in moves.items():
        wire = known[label]
        turned = not wire.is_output and place.active_high != wire.pin.active_high
        if turned and wire.broken_is_active(place.active_high) and not _accepted(wire, project):
            del kept[label]
            by_hand.append(
                f"{label}: connect the other contact of the switch, one that is closed in the good state; "
                f'{ACTIVE[wire.table]} = "{_level(place.active_high)}" would hide a broken wire'
            )
    while clashing := _clashing(known, kept):
        for label in clashing:
            place = kept.pop(label)
            by_hand.append(
                f"{label}: put its wire to pin {known[label].pin.name}; it is on pin {place.wire.pin.name}, "
                "which the file has for another whose own place was not found"
            )
    changes: dict[KeyPath, str] = {}
    for label, place in kept.items():
        wire = known[label]
        path: KeyPath = (wire.table, wire.name)
        if place.wire.pin.name != wire.pin.name:
            changes[(*path, "pin")] = place.wire.pin.name
        if place.active_high != wire.pin.active_high:
            changes[(*path, ACTIVE[wire.table])] = _level(place.active_high)
            off = "down" if place.active_high else "up"
            if wire.is_output and wire.pull != off:
                if _table(project, wire).given("pull"):
                    changes[(*path, "pull")] = off
                by_hand.append(
                    f"{label}: its external resistor has to pull pin {place.wire.pin.name} {off}, to the "
                    "side that holds it off while the controller resets"
                )
    return changes, by_hand


def _clashing(known: Mapping[str, Wire], moves: Mapping[str, Place]) -> list[str]:
    """The moved ones whose new pin the file would then have twice."""
    pins = {
        label: moves[label].wire.pin.name if label in moves else wire.pin.name
        for label, wire in known.items()
    }
    taken = list(pins.values())
    return [label for label in moves if taken.count(pins[label]) > 1]


def _table(project: Project, wire: Wire) -> Table:
    table: Mapping[str, Table] = getattr(project.machine, wire.table)
    return table[wire.name]


def _level(high: bool) -> str:
    return "high" if high else "low"
