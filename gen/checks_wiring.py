"""Checks of machine.toml against the board: pins, pulls, and what a broken wire reads as."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from dosewright.gen import targets
from dosewright.gen.checks_ports import check_ports
from dosewright.gen.locate import Path as KeyPath
from dosewright.gen.models.machine import Button, Channel, Contact, Interlock, MachineFile, Stage
from dosewright.gen.problems import UserError
from dosewright.gen.source import Source, near, shown
from dosewright.gen.targets import Target


def check_wiring(source: Source[MachineFile], machine: MachineFile) -> None:
    """Everything that can be wrong between a pin and what hangs on it."""
    target = _target(source, machine)
    if target is not None:
        taken = _pins(source, machine, target)
        check_ports(source, target, {path: output.pin for path, output in _outputs(machine)}, taken)
        _limits(source, machine, target)
    for path, output in _outputs(machine):
        if output.pull == ("up" if output.on_when == "high" else "down"):
            source.report(
                (*path, "pull"),
                f'pull = "{output.pull}" where {output.on_when} means on: energised in every reset',
                "an output that is off while the controller resets",
                "put the resistor to the other side, or turn on_when round if the driver is the other way",
            )
    for name, lock in machine.interlock.items():
        if lock.broken_wire == "refused" and lock.closed_when == _broken(lock):
            source.report(
                ("interlock", name, "closed_when" if lock.given("closed_when") else "pull"),
                f"an input whose broken wire reads as closed (pull {lock.pull}, closed {lock.closed_when})",
                "a broken wire that reads as open",
                'use a contact that is closed in the good state, or write broken_wire = "acknowledged"',
            )
    for name, button in machine.button.items():
        if button.does != "stop" and button.pressed_when == _broken(button):
            source.report(
                ("button", name, "pressed_when" if button.given("pressed_when") else "pull"),
                f"a button whose broken wire reads as pressed (pulled {button.pull}, "
                f"pressed when {button.pressed_when})",
                "a broken wire that asks for nothing",
                "wire a button that closes when pressed",
            )
    for name, selector in machine.selector.items():
        if selector.sets == "recipe" and selector.pressed_when == _broken(selector):
            source.report(
                ("selector", name, "pressed_when" if selector.given("pressed_when") else "pull"),
                f"contacts whose broken wires read as pressed (pulled {selector.pull}, "
                f"pressed when {selector.pressed_when})",
                "a switch without its wires that says 0, which is no recipe",
                "use a switch whose contacts close for what they count, if you can",
                warning=True,
            )


def _target(source: Source[MachineFile], machine: MachineFile) -> Target | None:
    path = ("machine", "target")
    name = machine.machine.target
    if not source.sound(*path):
        return None
    known = targets.names()
    if name in known:
        return targets.read(name)
    try:
        targets.read(name)
    except UserError:
        found = f"the unknown target {shown(name)}"
    else:
        found = f"{shown(name)}, which is a simulated rig without pins"
    meant = targets.by_board(name)
    remedy = f'did you mean "{meant}"?' if meant else near(name, known, "choose another")
    source.report(path, found, "a controller with pins", remedy)
    return None


def _pins(source: Source[MachineFile], machine: MachineFile, target: Target) -> Collection[str]:
    """Returns the pins that have a wire."""
    used: dict[str, str] = {}
    inputs: list[tuple[str, str, Interlock | Button]] = [
        *(("interlock", name, lock) for name, lock in machine.interlock.items()),
        *(("button", name, button) for name, button in machine.button.items()),
    ]
    wires: list[tuple[KeyPath, str, str, bool]] = [
        *(
            ((*path, "pin"), output.pin, f"{path[0]} {path[1]}", True)
            for path, output in _outputs(machine)
            if output.pin is not None
        ),
        *(((table, name, "pin"), wire.pin, f"{table} {name}", False) for table, name, wire in inputs),
        *(
            (("selector", name, "pins", index), pin, f"selector {name}", False)
            for name, selector in machine.selector.items()
            for index, pin in enumerate(selector.pins)
        ),
    ]
    wired = {name for _, name, *_ in wires}
    for path, name, owner, is_output in wires:
        if not source.sound(*path):
            continue
        if name not in target.pin:
            board = f"{next(iter(target.pin))} to {list(target.pin)[-1]}"
            remedy = near(name, target.pin, f"choose one of {board}").partition("; there is")[0]
            if other := _by_other_name(name, target):
                remedy = f'did you mean "{other}"?'
            source.report(path, f"the pin {shown(name)}", f"a pin of {target.title}", remedy)
            continue
        pin = target.pin[name]
        reason = pin.not_output if is_output else pin.not_input
        if reason:
            use = "output" if is_output else "input"
            source.report(
                path,
                f"pin {name}: {reason}",
                f"a pin that is free as an {use}",
                _another_pin("move the wire to another pin", target, wired, is_output),
            )
        elif name in used:
            source.report(
                path,
                f"pin {name}, which {used[name]} has already",
                "one wire a pin",
                _another_pin("choose a free pin", target, wired, is_output),
            )
        used.setdefault(name, owner)
    return used


def _another_pin(remedy: str, target: Target, wired: Collection[str], is_output: bool) -> str:
    """The remedy with the first pins without a wire that are fit for it; another where there is none."""
    free = target.free(wired, as_output=is_output, as_input=not is_output)
    if not free:
        return "no pin is free: take a wire away, or a larger board"
    return f"{remedy}: {', '.join(free[:6])}{', ...' if len(free) > 6 else ''}"


def _by_other_name(name: str, target: Target) -> str | None:
    """The pin that the chip's own name (PB1) or the number alone is meant for."""
    letters = target.simulation.ports if target.simulation else []
    for pin, where in target.pin.items():
        letter = letters[where.port] if where.port < len(letters) else ""
        if name == str(where.number) or (letter and name.upper() == f"P{letter}{where.bit}"):
            return pin
    return None


def _limits(source: Source[MachineFile], machine: MachineFile, target: Target) -> None:
    if not target.tick_allowed(machine.machine.tick):
        shortest, longest = target.tick_us
        source.report(
            ("machine", "tick"),
            f"a tick of {float(machine.machine.tick * 1000):g} ms",
            f"whole microseconds, {shortest / 1000:g} to {longest / 1000:g} ms on {target.title}",
            "leave it out: 1 ms suits",
        )
    outputs = len(machine.channel) + len(machine.stage)
    if outputs > target.most_outputs:
        source.report(
            ("channel",),
            f"{outputs} channels and stages",
            f"at most {target.most_outputs} on {target.title}",
            "take some out, or choose a larger target",
            at_key=True,
        )


def _outputs(machine: MachineFile) -> Iterator[tuple[tuple[str, str], Channel | Stage]]:
    for name, channel in machine.channel.items():
        yield ("channel", name), channel
    for name, stage in machine.stage.items():
        yield ("stage", name), stage


def _broken(wire: Interlock | Contact) -> str:
    """What is read when nothing is connected: the level it is pulled to."""
    return "high" if wire.pull == "up" else "low"
