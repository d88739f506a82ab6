"""A simulated controller: a child process that speaks the lines of ``targets/BENCH.md`` over pipes.

Every command is answered before the next one is sent, so plain blocking reads are enough on every system, and
time stands still while the harness thinks. When the child ends by itself that is a finding: RigCrashed tells
what it said last.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import IO

from dosewright.hil.trouble import RigCrashed, RigTrouble

HANGS_AFTER = 60  # seconds without an answer to one command, measured by the clock of the computer
TICK_WRAP = 1 << 32
NEW_PROCESS_GROUP = 0x200  # of Windows, where the constant's name alone is known to subprocess


@dataclass(frozen=True, slots=True)
class PinEdge:
    """An output pin took this electrical level at that tick, seen at the pin and not told by the engine.

    ``cycle`` is the controller's, from a simulated board that counts them.
    """

    tick: int
    output: int
    level: bool
    cycle: int | None = None


class Bench:
    """One child process. ``tick`` is its clock (u32); ``elapsed`` counts ticks since its start, unwrapped."""

    def __init__(self, command: Sequence[str]) -> None:
        self.received = bytearray()
        self.edges: list[PinEdge] = []
        self.tick = 0
        self.elapsed = 0
        self._told: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the child
        # Its own session: Ctrl-C is for the harness, which then ends the child in good order.
        windows = sys.platform == "win32"
        try:
            self._child: subprocess.Popen[bytes] = subprocess.Popen(
                list(command),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._told,
                creationflags=NEW_PROCESS_GROUP if windows else 0,
                start_new_session=not windows,
            )
        except OSError as error:
            self._told.close()
            raise RigTrouble(
                f"{command[0]}: cannot be started ({error.strerror}); build the rig anew"
            ) from None
        self._events: dict[str, Callable[[list[str]], None]] = {
            "tx": self._sent,
            "edge": self._switched,
            **self._more_events(),
        }
        self._hung = False
        self._busy = threading.Event()
        self._closed = threading.Event()
        self._answers = 0
        threading.Thread(target=self._watch, daemon=True).start()
        try:
            self.command("run 0")  # what the clock says, and whether it starts at all
        except RigTrouble:
            self.close()
            raise

    def command(self, line: str) -> None:
        """Send one command and take in its events, until ``ok``. Raises RigCrashed."""
        assert self._child.stdin and self._child.stdout
        self._busy.set()
        try:
            self._child.stdin.write(line.encode() + b"\n")
            self._child.stdin.flush()
            while True:
                answer = self._child.stdout.readline()
                if not answer.endswith(b"\n"):
                    raise self._crash(line)
                words = answer.decode("ascii", "replace").split()
                try:
                    event = self._events.get(words[0])
                    if event is None:
                        self._time(words)
                        return
                    event(words)
                except (ValueError, IndexError, KeyError):
                    said = " ".join(words)
                    raise RigCrashed(
                        f"the simulated controller answered {said!r} to {line!r}, which is no line of a rig"
                    ) from None
        except OSError as error:
            raise self._crash(line) from error
        finally:
            self._answers += 1
            self._busy.clear()

    def close(self) -> None:
        """End the child; safe to call twice, and when it has ended by itself.

        Raises RigTrouble with what it said where it could not end in good order: what it had to keep is lost.
        """
        if self._closed.is_set():
            return
        self._closed.set()
        self._busy.set()
        assert self._child.stdin and self._child.stdout
        lived = self._child.poll() is None
        with contextlib.suppress(OSError):
            self._child.stdin.write(b"quit\n")
            self._child.stdin.flush()
        with contextlib.suppress(OSError):
            self._child.stdin.close()
        try:
            self._child.wait(2)
        except subprocess.TimeoutExpired:
            self._child.kill()
            self._child.wait()
        said = self._said()
        self._child.stdout.close()
        self._told.close()
        if lived and self._child.returncode > 0 and said:
            raise RigTrouble(f"the simulated controller did not end well; it said: {said}")

    def _time(self, words: list[str]) -> None:
        """What ends an answer: ``ok TICK``, or ``ok TICK ELAPSED`` where a reset puts the tick back."""
        ok, now, *elapsed = words
        if ok != "ok":
            raise ValueError
        passed = (int(now) - self.tick) % TICK_WRAP if self._answers else 0
        self.tick = int(now)
        self.elapsed = int(elapsed[0]) if elapsed else self.elapsed + passed

    def _more_events(self) -> dict[str, Callable[[list[str]], None]]:
        """What a rig that tells more than a plain one does with each of its events."""
        return {}

    def _sent(self, words: list[str]) -> None:
        self.received += bytes.fromhex(words[1])

    def _switched(self, words: list[str]) -> None:
        cycle = int(words[4]) if len(words) > 4 else None
        self.edges.append(PinEdge(int(words[1]), int(words[2]), words[3] == "1", cycle))

    def _crash(self, line: str) -> RigCrashed:
        try:
            code = self._child.wait(2)
        except subprocess.TimeoutExpired:
            self._child.kill()
            code = self._child.wait()
        how = "hung and was ended" if self._hung else f"ended by itself ({_exit_words(code)})"
        said = self._said()
        last = f"; it said: {said}" if said else ""
        return RigCrashed(f"the simulated controller {how} at {line!r}{last}")

    def _said(self) -> str:
        """The first line that the child wrote beside its answers, or nothing."""
        self._told.seek(0)
        lines = self._told.read().decode("utf-8", "replace").splitlines()
        return next((line.strip() for line in lines if line.strip()), "")

    def _watch(self) -> None:
        """End a child that does not answer, so that a hang is a finding too."""
        seen = -1
        while not self._closed.is_set():
            self._busy.wait()
            seen = self._answers
            if not self._closed.wait(HANGS_AFTER) and self._busy.is_set() and seen == self._answers:
                self._hung = True
                self._child.kill()


def _exit_words(code: int) -> str:
    return f"signal {-code}" if code < 0 else f"exit code {code}"
