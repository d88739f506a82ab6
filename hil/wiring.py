"""What is wired to what: as the machine file says, as a walk along the wires found it, and what follows.

Pure conclusions: nothing here talks to a rig or to a person.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from dosewright.gen.compiled import Pin
from dosewright.gen.locate import Path as KeyPath
from dosewright.gen.lower import Compiled
from dosewright.gen.models.base import Table
from dosewright.gen.project import Project
from dosewright.hil.record import inputs_of

ACTIVE = {
    "channel": "on_when",
    "stage": "on_when",
    "interlock": "closed_when",
    "button": "pressed_when",
    "selector": "pressed_when",
}
STATE = {"interlock": "closed", "button": "pressed", "selector": "pressed"}  # anything else is on


@dataclass(frozen=True, slots=True)
class Wire:
    """One pin of the machine file and what hangs on it.

    ``table`` and ``name`` say where in machine.toml, ``label`` what a person calls it; ``index`` is the
    output's, or the input's (interlocks first). ``pull`` is where the pin is pulled. ``contact``: of a
    selector's contact, which of its pins.
    """

    table: str
    name: str
    label: str
    what: str
    pin: Pin
    index: int
    pull: str
    contact: int | None = None

    @property
    def at(self) -> KeyPath:
        """Where machine.toml names the pin."""
        return (self.table, self.name, *(("pin",) if self.contact is None else ("pins", self.contact)))

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
    """Every wire of the machine: interlocks, buttons, contacts of selectors, channels, stages with a pin."""
    machine, made = project.machine, compiled.machine
    switches: list[tuple[str, str, str, str, int | None]] = [
        *(("interlock", name, "switch", lock.pull, None) for name, lock in machine.interlock.items()),
        *(("button", name, f"button: {item.does}", item.pull, None) for name, item in machine.button.items()),
        *(
            ("selector", name, f"selector of the {item.sets}: counts {1 << bit}", item.pull, bit)
            for name, item in machine.selector.items()
            for bit in range(len(item.pins))
        ),
    ]
    found = [
        Wire(table, name, item.name, what, item.pin, index, pull, contact)
        for index, ((table, name, what, pull, contact), item) in enumerate(
            zip(switches, inputs_of(made), strict=True)
        )
    ]
    for index, output in enumerate(made.outputs):
        table = "stage" if output.is_stage else "channel"
        what = "stage" if output.is_stage else machine.channel[output.name].actuator
        described = machine.stage[output.name] if output.is_stage else machine.channel[output.name]
        if output.pin:
            wire = Wire(table, output.name, output.name, what, output.pin, index, described.pull or "")
            found.append(wire)
    names = [wire.label for wire in found]
    return tuple(
        wire if names.count(wire.label) == 1 else replace(wire, label=f"{wire.table} {wire.label}")
        for wire in found
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
    active_high = item.places[0][1].active_high if len(item.places) == 1 else wire.pin.active_high
    if item.closed_without_wire and not _accepted(wire, active_high, project):
        told.append(
            f"{wire.label} reads as {STATE[wire.table]} with its wire off: a broken wire would go unnoticed; "
            f"look for a short at pin {pin}, and use a contact that is closed in the good state"
        )
    return told


def _accepted(wire: Wire, active_high: bool, project: Project) -> bool:
    """Whether a broken wire may read as closed or pressed.

    Of a stop button it should; of a selector either reading is wrong, so its contacts may be of either kind.
    """
    if wire.table == "selector":
        return wire.broken_is_active(active_high)
    if wire.table == "button":
        return project.machine.button[wire.name].does == "stop"
    return project.machine.interlock[wire.name].broken_wire == "acknowledged"


def _misplaced(wire: Wire, place: Place) -> list[str]:
    told = []
    if place.wire.pin.name != wire.pin.name:
        told.append(f"{wire.label} is on pin {place.wire.pin.name}, not on {wire.pin.name} as the file says")
    if place.active_high != wire.pin.active_high:
        told.append(
            f"{wire.label} is {STATE.get(wire.table, 'on')} when its pin is {_level(place.active_high)}, "
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
        if wire.table == "selector" and turned and not _all_turned(wire, known, moves):
            del kept[label]
            by_hand.append(
                f"{label}: it works the other way round than the rest of {wire.name}; turn it round"
            )
        elif (
            turned
            and wire.broken_is_active(place.active_high)
            and not _accepted(wire, place.active_high, project)
        ):
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
            changes[wire.at] = place.wire.pin.name
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


def _all_turned(wire: Wire, known: Mapping[str, Wire], moves: Mapping[str, Place]) -> bool:
    """Whether every contact of this one's selector works the other way round than the file says."""
    return all(
        label in moves and moves[label].active_high != other.pin.active_high
        for label, other in known.items()
        if (other.table, other.name) == (wire.table, wire.name)
    )


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
