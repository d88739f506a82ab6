"""The one place that opens ports: by name, by pyserial URL, or by the scheme of a simulated rig."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol, cast

import serial  # type: ignore[import-untyped,unused-ignore]
from serial.tools import list_ports  # type: ignore[import-untyped,unused-ignore]

from dosewright.hil.trouble import RigTrouble

BAUD = 115_200
# Seconds without a byte after a reset. A bootloader that hears something takes it for itself, and some then
# stay for as long as bytes come. Of those that tests/avr lets run, that of the Mega starts the program after
# 0.8 s, the older one of the Nano after 1.4 s.
BOOT_QUIET = 2.0
SIMULATED = {
    "host": "the engine compiled for this computer, with a clock that the harness moves",
    "avr": "the firmware on a simulated AVR board, cycle by cycle, its pins watched from outside",
}

_HANDLERS = "dosewright.hil.protocols"
if _HANDLERS not in serial.protocol_handler_packages:
    serial.protocol_handler_packages.append(_HANDLERS)


def simulated_by_name(rig: str) -> bool:
    """Whether this names a simulated rig, with settings behind a ``?`` or without; no port, and no URL."""
    return rig.partition("?")[0] in SIMULATED


class Port(Protocol):
    """What the harness needs of a port that pyserial opened. ``timeout`` in seconds."""

    timeout: float | None

    @property
    def in_waiting(self) -> int: ...
    def read(self, size: int = 1, /) -> bytes: ...
    def write(self, data: bytes, /) -> int | None: ...
    def close(self) -> None: ...


def open_port(url: str, *, timeout: float) -> Port:
    """Open a port without moving its DTR and RTS lines where the system allows that. Raises RigTrouble.

    Where opening may have reset the controller it is given time to start.
    """
    try:
        port: Any = serial.serial_for_url(
            url, baudrate=BAUD, timeout=timeout, write_timeout=5, do_not_open=True
        )
        if "://" not in url:
            port.exclusive = True if sys.platform != "win32" else None
        if not opening_resets(url):
            port.dtr = False
            port.rts = False
        port.open()
        if opening_resets(url):
            _keep_lines(port)
            time.sleep(BOOT_QUIET)
    except (serial.SerialException, OSError) as error:
        raise RigTrouble(_why_not_open(url, error)) from None
    except ValueError as error:
        raise RigTrouble(
            f"{url}: not a port that can be opened ({error}); dosewright ports lists what there is"
        ) from None
    return cast(Port, port)


def caution(url: str, say: Callable[[str], None]) -> None:
    """What every verb says before it opens a port, where opening it may reset the controller."""
    if opening_resets(url):
        say(f"{url}: opening the port may reset the controller; a pour that runs on it would end")


def opening_resets(url: str) -> bool:
    """Whether opening may reset the controller.

    POSIX raises DTR before anybody can prevent it: that resets many boards where the line was down, as it is
    after the cable was plugged in, or after another program had the port. This one leaves it up. What is
    not there resets nothing.
    """
    return "://" not in url and sys.platform != "win32" and Path(url).exists()


def _keep_lines(port: Any) -> None:
    """DTR stays up when the port is closed, so that the next opening does not raise it."""
    if sys.platform != "win32":
        import termios

        with contextlib.suppress(termios.error):  # a port without such lines
            attributes = termios.tcgetattr(port.fd)
            attributes[2] &= ~termios.HUPCL
            termios.tcsetattr(port.fd, termios.TCSANOW, attributes)


def serial_ports() -> list[tuple[str, str]]:
    """Name and description of each serial port of this computer, sorted by name."""
    return sorted((str(found.device), str(found.description)) for found in list_ports.comports())


def _why_not_open(url: str, error: Exception) -> str:
    text = str(error)
    code = getattr(error, "errno", None)
    if (
        code == 2
        or isinstance(error, FileNotFoundError)
        or "FileNotFoundError" in text
        or "No such file" in text
    ):
        return f"{url}: there is no such port; is the cable in? dosewright ports lists what there is"
    if (
        code == 13
        or ("PermissionError" in text and "denied" not in text.lower())
        or "Permission denied" in text
    ):
        return (
            f"{url}: this user may not open the port; on Linux join the group that owns it "
            "(often dialout) and log in again"
        )
    if code in (11, 16) or "lock" in text or "busy" in text.lower() or "Access is denied" in text:
        return f"{url}: another program holds the port; close its serial monitor and try again"
    return f"{url}: cannot be opened ({text})"
