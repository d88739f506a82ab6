"""What a controller tells of its last restart, where nobody meant it, and of the pour that it ended."""

from __future__ import annotations

from fractions import Fraction

from dosewright.gen.codes import Reason, Result
from dosewright.gen.compiled import QUANTA_PER_ML
from dosewright.gen.lower import Compiled
from dosewright.hil.client import Client
from dosewright.hil.messages import Booking, Cause, Identity, Status
from dosewright.hil.record import Names

WORDS = {
    Cause.WATCHDOG: "its program hung, so its watchdog started it anew",
    Cause.SUPPLY: "its supply was too low, so it started anew",
    Cause.RESET_LINE: "it was reset",
}


def told(client: Client, identity: Identity, compiled: Compiled, names: Names) -> str:
    """One sentence for the person, "" where there is nothing to say. Raises RigTrouble."""
    status = client.status()
    in_pour = status.result == Result.ABORTED and status.reason == Reason.RESET
    cause = status.argument if in_pour else identity.cause
    if cause not in WORDS or (cause == Cause.RESET_LINE and not in_pour):
        return ""
    said = f"{client.name}: {WORDS[Cause(cause)]}"
    if not in_pour:
        return said
    return f"{said} while it poured {_pour(status, compiled, names)}; {_poured(client, compiled, names)}"


def _pour(status: Status, compiled: Compiled, names: Names) -> str:
    recipes = {recipe.number: recipe.name for recipe in compiled.recipes.recipes}
    recipe = recipes.get(status.recipe, f"recipe {status.recipe}")
    known = status.serving < len(names.servings)
    return f"{recipe}, {names.servings[status.serving] if known else f'serving {status.serving}'}"


def _poured(client: Client, compiled: Compiled, names: Names) -> str:
    """What came by the calibration of the project, which fits the controller."""
    doses = [step for step in client.booked() if step.output < compiled.machine.channels and step.on]
    if not doses:
        return "nothing had come by then"
    amounts = [f"{names.outputs[step.output]} {_amount(step, compiled, names)}" for step in doses]
    return f"by then had come: {', '.join(amounts)}"


def _amount(step: Booking, compiled: Compiled, names: Names) -> str:
    channel = compiled.calibration.channels[step.output]
    if not channel.rate.m:
        return f"for {names.seconds(step.on)}"
    quanta = Fraction(step.on << 32 + channel.rate.s, channel.rate.m) + step.starts * channel.offset
    return f"{float(max(quanta, Fraction(0)) / QUANTA_PER_ML):.1f} ml ({names.seconds(step.on)})"
