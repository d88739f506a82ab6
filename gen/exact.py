"""The plan without any rounding: volumes and on-times as fractions, straight from what was written.

It shares nothing with ``arithmetic.py``, so that tests can hold the controller's integers against it.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction


def volumes(parts: Sequence[Fraction], serving_ml: Fraction) -> tuple[Fraction, ...]:
    """Millilitres of each part in a serving."""
    total = sum(parts, Fraction(0))
    return tuple(part * serving_ml / total for part in parts)


def on_time(volume_ml: Fraction, ml_per_s: Fraction, offset_ml: Fraction = Fraction(0)) -> Fraction:
    """Seconds a channel of constant flow must be on; 0 when the offset alone brings the volume."""
    return max(Fraction(0), (volume_ml - offset_ml) / ml_per_s)


def on_ticks(volume_ml: Fraction, ml_per_s: Fraction, offset_ml: Fraction, tick_us: int) -> Fraction:
    """The same in ticks, not rounded."""
    return on_time(volume_ml, ml_per_s, offset_ml) * 1_000_000 / tick_us
