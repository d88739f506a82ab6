"""Whether the outputs lie on so few ports of the chip that those of one moment switch together."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping

from dosewright.gen.models.machine import MachineFile
from dosewright.gen.source import Source, counted
from dosewright.gen.targets import MOST_SKEW, Target


def check_ports(
    source: Source[MachineFile],
    target: Target,
    outputs: Mapping[tuple[str, str], str | None],
    taken: Collection[str],
) -> None:
    """Warn where writing all ports with outputs, one after another, spreads the pins of a tick too far.

    ``outputs`` has the pin of each by its path, ``taken`` every pin with a wire. Whatever stands alone on a
    port is moved first, until the rest are close enough together.
    """
    on: defaultdict[int, list[tuple[str, str]]] = defaultdict(list)
    for path, name in outputs.items():
        if name in target.pin and source.sound(*path, "pin"):
            on[target.pin[name].port].append(path)
    spread, used = target.skew(on), len(on)
    move: list[tuple[str, str]] = []
    while target.skew(on) > MOST_SKEW:
        move += on.pop(min(on, key=lambda port: (len(on[port]), -port)))
    if not move:
        return
    free = [name for name in target.free(taken, as_output=True) if target.pin[name].port in on]
    words = ", ".join(" ".join(path) for path in move)
    there = (
        f"these are free: {', '.join(free[: 2 * len(move)])}" if free else "none is free: swap with inputs"
    )
    source.report(
        (*move[0], "pin"),
        f"outputs on {counted(used, 'port')} of the chip, which are written one after another: what "
        f"switches at once does so up to {spread} cycles apart",
        f"at most {MOST_SKEW} cycles",
        f"move {words} to pins of the other ports, of which {there}",
        warning=True,
    )
