"""Who fits whom: what table bytes mean, and what a firmware was built from."""

from __future__ import annotations

import dataclasses
import hashlib
import json

from dosewright.gen.compiled import CompiledMachine


def _digest(value: object) -> bytes:
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).digest()


def interface(machine: CompiledMachine) -> int:
    """The interface fingerprint, a u32: only what the bytes of a table mean.

    Pins, polarities, interlocks and limits are left out: changing them needs new firmware but leaves old
    tables valid.
    """
    channels = [o.name for o in machine.outputs if not o.is_stage]
    stages = [o.name for o in machine.outputs if o.is_stage]
    meaning = {
        "tick_us": machine.tick_us,
        "channels": [[name, "time", "pump"] for name in channels],
        "stages": stages,
        "volume": "2^-8 microlitre",
    }
    return int.from_bytes(_digest(meaning)[:4], "little")


def build_digest(machine: CompiledMachine) -> bytes:
    """Eight bytes over everything of the machine that is compiled into a firmware."""
    return _digest(dataclasses.asdict(machine))[:8]
