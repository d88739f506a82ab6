"""A simulated AVR board as a rig: a C program over libsimavr, compiled on demand, spoken to over pipes.

The lines it understands are in ``targets/BENCH.md``. It needs a C compiler, libsimavr and libelf; ``INSTALL``
says how to get them.
"""

from __future__ import annotations

from dosewright.hil.avrboard.board import AvrBoard, Pin, Wiring
from dosewright.hil.avrboard.build import INSTALL, build_bridge

__all__ = ["INSTALL", "AvrBoard", "Pin", "Wiring", "build_bridge"]
