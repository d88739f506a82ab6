"""A serial port whose other end is a simulated controller; its time-outs run in the controller's own time."""

from __future__ import annotations

from typing import Any

from serial.serialutil import (  # type: ignore[import-untyped,unused-ignore]
    PortNotOpenError,
    SerialBase,
    SerialException,
)

from dosewright.hil.protocols.settings import Settings, split
from dosewright.hil.simulated import Bench, PinEdge

TICKS_PER_SECOND = 1000  # of time-outs only: the controller's own ticks may be longer or shorter


class SimulatedPort(SerialBase):  # type: ignore[misc,unused-ignore]
    """Port, stimulus, witness and clock of one child process. Subclasses say which command to start."""

    is_open: bool
    settings = Settings()  # of the URL that is open
    _dtr_was = True

    def start_command(self, url: str) -> list[str]:
        """The command that starts the controller named by ``url``. Raises UserError."""
        raise NotImplementedError

    # A port, as pyserial defines it

    def open(self) -> None:
        if self.is_open:
            raise SerialException("Port is already open.")
        url, self.settings = split(self.portstr)
        self.bench = Bench(self.start_command(url))
        self._dtr_was = bool(self._dtr_state)  # the power comes with the line as it is
        self.is_open = True

    def close(self) -> None:
        if self.is_open:
            self.is_open = False
            self.bench.close()

    @property
    def in_waiting(self) -> int:
        return len(self._open().received)

    def read(self, size: int = 1) -> bytes:
        """Up to ``size`` bytes; the controller's time passes until they are there or the time-out is over."""
        bench = self._open()
        limit = None if self.timeout is None else bench.elapsed + round(self.timeout * TICKS_PER_SECOND)
        while len(bench.received) < size:
            left = TICKS_PER_SECOND if limit is None else limit - bench.elapsed
            if left <= 0:
                break
            bench.command(f"until {left}")
        data = bytes(bench.received[:size])
        del bench.received[:size]
        return data

    def write(self, data: Any) -> int:
        content = bytes(data)
        if content:
            self._open().command(f"rx {content.hex()}")
        return len(content)

    def reset_input_buffer(self) -> None:
        self._open().received.clear()

    def reset_output_buffer(self) -> None:
        self._open()

    def _reconfigure_port(self) -> None:
        """Speed and format mean nothing here."""

    def _update_dtr_state(self) -> None:
        """As on many boards, a capacitor makes a reset of each change of the line to asserted."""
        was, self._dtr_was = self._dtr_was, bool(self._dtr_state)
        if self._dtr_was and not was:
            self.reset("dtr")

    def _update_rts_state(self) -> None:
        """No such line here."""

    # What only a simulated rig has

    @property
    def tick(self) -> int:
        """The controller's clock, u32."""
        return self._open().tick

    def now(self) -> float:
        """Seconds since it was started, in its own time."""
        return self._open().elapsed / TICKS_PER_SECOND

    def seconds(self, tick_us: int) -> float:
        """Seconds since then by the harness's clock, beside which the controller's has an error."""
        return self._open().elapsed * tick_us / 1e6 / (1 + (self.settings.ppm or 0) / 1e6)

    def set_input(self, index: int, level: bool) -> None:
        """Put a level on an input pin: interlocks first, then buttons."""
        self._open().command(f"in {index} {int(level)}")

    def advance(self, ticks: int) -> None:
        """Let time pass."""
        if ticks > 0:
            self._open().command(f"run {ticks}")

    def reset(self, kind: str = "power") -> None:
        """A reset of a kind of BENCH.md: what is stored stays."""
        self._open().command(f"reset {kind}")

    def take_edges(self) -> list[PinEdge]:
        """The edges since this was last asked."""
        edges, self.bench.edges = self._open().edges, []
        return edges

    def _open(self) -> Bench:
        if not self.is_open:
            raise PortNotOpenError()
        return self.bench
