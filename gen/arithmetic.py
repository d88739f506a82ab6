"""The integers a controller computes with: the formulas of ``targets/engine/RULES.md``, nothing else.

Volumes are quanta (2^-8 microlitre), times ticks. What these integers stand for, without any rounding, is in
``exact.py``; the two share nothing, so that one can judge the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import floor, gcd, lcm

from dosewright.gen.compiled import QUANTA_PER_ML, WEIGHT_MAX, WEIGHT_SUM_MAX, Calibration, Rate

HALF = Fraction(1, 2)
SHIFT_MAX = 24
OFFSET_MAX = 128_000_000  # quanta, 500 ml
SERVING_MAX = 4_000_000_000  # quanta, 15.625 l: with the greatest offset taken away it still fits 32 bits


def quanta(ml: Fraction) -> int:
    """Millilitres to quanta, half up."""
    return floor(ml * QUANTA_PER_ML + HALF)


def weights(parts: Sequence[Fraction]) -> tuple[int, ...]:
    """Weights of 1 .. 4095 in the proportions of ``parts`` (> 0, any unit), their sum at most 65535.

    Exact when the parts have a common ratio that small. Otherwise the greatest part gets the weight at which
    the worst relative error of any other part beside it is least. ValueError when a part is so small beside
    the greatest that it would vanish.
    """
    if not parts or min(parts) <= 0:
        raise ValueError("every part must be above zero")
    unit = lcm(*(part.denominator for part in parts))
    whole = [int(part * unit) for part in parts]
    common = gcd(*whole)
    whole = [part // common for part in whole]
    greatest, total = max(whole), sum(whole)
    if greatest <= WEIGHT_MAX and total <= WEIGHT_SUM_MAX:
        return tuple(whole)

    top = WEIGHT_MAX
    while sum(_scaled(whole, top, greatest)) > WEIGHT_SUM_MAX:
        top -= 1
    if (2 * min(whole) * top + greatest) // (2 * greatest) == 0:
        raise ValueError(f"the smallest part is less than 1/{2 * top} of the greatest and would vanish")
    # What a scale below half the top gives, its double above gives no worse: the upper half is enough to try.
    by_size = sorted(set(whole))
    best, best_error = top, None
    for scale in range(top, top // 2, -1):
        worst = 0
        for part in by_size:  # the smallest first: it is mostly the worst, and the loop ends early
            exact = part * scale
            weight = (2 * exact + greatest) // (2 * greatest)
            worst = max(worst, (abs(weight * greatest - exact) << 64) // exact)
            if best_error is not None and worst >= best_error:
                break
        else:
            best, best_error = scale, worst
    return tuple(_scaled(whole, best, greatest))


def _scaled(whole: Sequence[int], scale: int, greatest: int) -> list[int]:
    """Each part times ``scale / greatest``, half up."""
    return [(2 * part * scale + greatest) // (2 * greatest) for part in whole]


def rate(ml_per_s: Fraction, tick_us: int) -> Rate:
    """Ticks per quantum of a constant flow (ml/s) as m * 2^-(32+s), 2^31 <= m < 2^32, 1 <= s <= 24.

    ValueError for a flow too slow (2 quanta a tick or less) or too fast (more than 2^25) for that.
    """
    if ml_per_s <= 0 or tick_us <= 0:
        raise ValueError("a rate and a tick must be above zero")
    ticks_per_quantum = Fraction(1_000_000, tick_us) / (ml_per_s * QUANTA_PER_ML)
    shift = floor(1 / ticks_per_quantum).bit_length() - 1
    multiplier = floor(ticks_per_quantum * Fraction(2) ** (32 + shift) + HALF)
    if multiplier == 1 << 32:  # a power of two, or rounded up to one
        multiplier, shift = 1 << 31, shift - 1
    if shift < 1:
        raise ValueError(f"too slow: a tick must bring over 2/256 microlitre; {float(ml_per_s):g} ml/s")
    if shift > SHIFT_MAX:
        raise ValueError(f"too fast: a tick must bring at most 131.072 ml; {float(ml_per_s):g} ml/s")
    return Rate(multiplier, shift)


def split(serving: int, weights: Sequence[int]) -> tuple[int, ...]:
    """A serving in quanta over the weights, in their order; the volumes sum to the serving."""
    total = sum(weights)
    quotient, remainder = divmod(serving, total)
    volumes = []
    cumulative = before = 0
    for weight in weights:
        cumulative += weight
        upto = remainder * cumulative // total
        volumes.append(quotient * weight + upto - before)
        before = upto
    return tuple(volumes)


def ticks(volume: int, rate: Rate) -> int:
    """Ticks for a volume in quanta (0 .. 2^32-1), to the nearest.

    The sum before the shift may need 33 bits; ``((h >> (s-1)) + 1) >> 1`` is the same and does not.
    """
    return (((volume * rate.m) >> 32) + (1 << (rate.s - 1))) >> rate.s


def planned(volume: int, calibration: Calibration) -> int:
    """On-time in ticks of a dose in quanta, its offset taken away; 0 when nothing remains."""
    return ticks(volume - calibration.offset, calibration.rate) if volume > calibration.offset else 0


def off_ticks(calibration: Calibration) -> int:
    """The offset as ticks, with its sign: what one more interruption of a dose takes off its time."""
    size = ticks(abs(calibration.offset), calibration.rate)
    return -size if calibration.offset < 0 else size


def worst_error_ticks(ml_per_s: Fraction, tick_us: int, longest_ticks: int) -> Fraction:
    """Most that a dose's ticks can be off the exact on-time for the stored weights, in ticks.

    Half a tick of rounding; two quanta of volume (half by the serving, one by the split, half by the offset);
    and what the rate's 32 bits leave over the longest on-time.
    """
    quantum_ticks = Fraction(1_000_000, tick_us) / (ml_per_s * QUANTA_PER_ML)
    return HALF + 2 * quantum_ticks + Fraction(longest_ticks, 1 << 32)
