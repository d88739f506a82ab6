"""A rig: a controller on a link, and a bench that moves its switches and watches its pins if there is one."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, Self

from dosewright.hil.client import ANSWER_WITHIN, Client
from dosewright.hil.port import SIMULATED, open_port, opening_resets, simulated_by_name
from dosewright.hil.protocols.settings import split
from dosewright.hil.protocols.simulated_port import SimulatedPort
from dosewright.hil.simulated import PinEdge


class Bench(Protocol):
    """What only a simulated rig offers: its inputs can be set, its pins be watched, its time be moved."""

    @property
    def tick(self) -> int: ...
    def set_input(self, index: int, level: bool, /) -> None: ...
    def take_edges(self) -> list[PinEdge]: ...
    def advance(self, ticks: int, /) -> None: ...


@dataclass(frozen=True, slots=True)
class Rig:
    """``bench`` is None for a real controller: a person moves its switches, time passes by itself.

    ``seconds`` tells the time by a clock apart from the controller's, where there is one; it is given the
    length of a tick in microseconds, by which a simulated rig knows its time.
    """

    name: str
    client: Client
    bench: Bench | None
    seconds: Callable[[int], float] | None = None

    def wait(self, ticks: int, tick_us: int) -> None:
        """Let so many ticks pass."""
        if self.bench:
            self.bench.advance(ticks)
        else:
            time.sleep(ticks * tick_us / 1e6)

    def close(self) -> None:
        self.client.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


OpenRig = Callable[[], Rig]


def rig_url(name: str, folder: Path) -> str:
    """The URL of a rig: a simulated one by name is built from ``folder``, anything else is a URL already."""
    simulated, mark, settings = name.partition("?")
    return f"{simulated}://{folder}{mark}{settings}" if simulated_by_name(name) else name


def is_simulated(url: str) -> bool:
    """Whether the harness itself moves this rig's switches and time."""
    return url.partition("://")[0] in SIMULATED


def clock_error_of(url: str) -> float | None:
    """By how many millionths a simulated rig's clock is fast, where its URL says. Raises RigTrouble."""
    return split(url)[1].ppm


def open_rig(url: str, folder: Path | None = None) -> Rig:
    """Open a rig by URL or port name; ``folder``, the project's, is named in the commands that mend.

    Raises RigTrouble, or UserError when it has to be built and cannot.
    """
    port = open_port(url, timeout=ANSWER_WITHIN)
    if isinstance(port, SimulatedPort):
        return Rig(url, Client(port, url, port.now, folder=folder), port, port.seconds)
    client = Client(port, url, boots=opening_resets(url), folder=folder)
    return Rig(url, client, None, lambda _: time.monotonic())
