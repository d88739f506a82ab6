"""A board on a pseudo terminal: its bootloader, which speaks STK500 version 1, and the program it starts.

The protocol is that of Atmel's application note AVR061, its numbers from memory; avrdude, which speaks it
with us, is the check on that. Whoever opens the terminal resets the board, as DTR does. As on a board,
whatever makes no sense to the bootloader, as all does at another speed than its own, starts the program.
"""

from __future__ import annotations

import errno
import os
import pty
import select
import termios
import threading
import tty
from collections.abc import Callable

from fake_device import FakePort
from twin_device import TwinDevice

Program = Callable[[bytes], bytes]  # what it is sent -> what it answers

SYNC_END, IN_SYNC, OK = 0x20, b"\x14", b"\x10"
# command -> how many bytes follow it, up to and without the end mark
FOLLOW = {0x30: 0, 0x41: 1, 0x42: 20, 0x50: 0, 0x51: 0, 0x55: 2, 0x56: 4, 0x75: 0, 0x74: 3}
SET_DEVICE_EXT, PROGRAM_PAGE = 0x45, 0x64
UNO = bytes.fromhex("1e950f")  # ATmega328P, data sheet section "Signature Bytes"
PROGRAM_SPEED = 115200


class Reset(Exception):  # noqa: N818 - named for what happened
    """Whoever had the terminal open has closed it."""


class Nonsense(Exception):  # noqa: N818 - named for what came
    """No command of the bootloader."""


class Board:
    """``speed`` 0: no bootloader. ``program`` turns what it is sent into what it answers; None: it is silent.

    A bootloader starts it only when the flash is not blank. The byte at ``stuck`` keeps what it had.
    """

    def __init__(
        self,
        speed: int,
        program: Program | None = None,
        signature: bytes = UNO,
        size: int = 32768,
        stuck: int = -1,
    ) -> None:
        self.flash = bytearray(b"\xff" * size)
        self.program, self.speed, self.signature, self.stuck = program, speed, signature, stuck
        self.pages: list[int] = []  # byte addresses, as written
        self._far, near = pty.openpty()
        tty.setraw(near)
        self.name = os.ttyname(near)
        os.close(near)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._live, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._ended.set()
        self._thread.join()
        os.close(self._far)

    def _live(self) -> None:
        while not self._ended.is_set():
            try:
                if self.speed:
                    self._boot()
                self._run()
            except Reset:
                pass

    def _boot(self) -> None:
        self._address = 0
        while True:
            try:
                self._command()
            except Nonsense:
                if set(self.flash) != {0xFF}:
                    return

    def _run(self) -> None:
        while True:
            data = self._take(1)
            if self.program and self._line_speed() == PROGRAM_SPEED:
                self._put(self.program(data))

    def _command(self) -> None:
        (command,) = self._take(1)
        if self._line_speed() != self.speed or command not in {*FOLLOW, SET_DEVICE_EXT, PROGRAM_PAGE}:
            raise Nonsense
        if command == PROGRAM_PAGE:
            head = self._take(3)
            data = self._take(head[0] << 8 | head[1])
        elif command == SET_DEVICE_EXT:
            head, data = self._take(1), b""
            self._take(head[0] - 1)
        else:
            head, data = self._take(FOLLOW[command]), b""
        if self._take(1) != bytes([SYNC_END]):
            raise Nonsense
        answer = b""
        if command == 0x41:
            answer = b"\x01"
        elif command == 0x55:
            self._address = (head[0] | head[1] << 8) * 2
        elif command == 0x56:
            answer = b"\0"
        elif command == PROGRAM_PAGE:
            assert head[2:] == b"F"
            self.pages.append(self._address)
            for address, byte in enumerate(data, self._address):
                if address != self.stuck:
                    self.flash[address] = byte
        elif command == 0x74:
            answer = bytes(self.flash[self._address : self._address + (head[0] << 8 | head[1])])
        elif command == 0x75:
            answer = self.signature
        self._put(IN_SYNC + answer + OK)

    def _line_speed(self) -> int:
        speed = termios.tcgetattr(self._far)[5]
        return {termios.B57600: 57600, termios.B115200: 115200}.get(speed, 0)

    def _take(self, size: int) -> bytes:
        data = b""
        while len(data) < size:
            if self._ended.is_set():
                raise Reset
            if not select.select([self._far], [], [], 0.02)[0]:
                continue
            try:
                data += os.read(self._far, size - len(data))
            except OSError as error:
                assert error.errno == errno.EIO, error
                self._ended.wait(0.005)  # nobody has it open
                raise Reset from None
        return data

    def _put(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._far, data) :]


def speaking(device: TwinDevice | FakePort) -> Program:
    """The program of a board: the twin's controller, or one written out, its clock standing still."""

    def hear(data: bytes) -> bytes:
        device.write(data)
        said, device.to_read = device.to_read, b""
        return said

    return hear
