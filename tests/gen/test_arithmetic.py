"""The controller's integers against exact fractions, over everything that is admitted."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from random import Random
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosewright.gen import exact
from dosewright.gen.arithmetic import (
    OFFSET_MAX,
    SERVING_MAX,
    off_ticks,
    planned,
    quanta,
    rate,
    split,
    ticks,
    weights,
    worst_error_ticks,
)
from dosewright.gen.compiled import QUANTA_PER_ML, WEIGHT_MAX, WEIGHT_SUM_MAX, Calibration, Rate

U32 = (1 << 32) - 1
SLOWEST = Fraction("0.016")  # ml/s: the bound is just below one tick of 1 ms
FASTEST = Fraction(131_072)  # ml/s: 2^25 quanta a tick
LONGEST = 1 << 22  # ticks, over an hour of them

weight_lists = st.lists(st.integers(1, WEIGHT_MAX), min_size=1, max_size=16).filter(
    lambda ws: sum(ws) <= WEIGHT_SUM_MAX
)
rates = st.builds(Rate, st.integers(1 << 31, U32), st.integers(1, 24))
servings = st.integers(1, SERVING_MAX)


def flows() -> st.SearchStrategy[Fraction]:
    """Every order of magnitude that is admitted, and both ends."""
    between = st.builds(
        lambda exponent, mantissa: min(Fraction(mantissa, 1000) * Fraction(2) ** exponent, FASTEST),
        st.integers(-5, 17),
        st.integers(1000, 2000),
    )
    return st.one_of(st.sampled_from((SLOWEST, FASTEST)), between).filter(lambda flow: flow >= SLOWEST)


@given(servings, weight_lists)
def test_a_serving_is_split_exactly_and_within_a_quantum(serving: int, parts: list[int]) -> None:
    volumes = split(serving, parts)
    assert sum(volumes) == serving
    total = sum(parts)
    for volume, weight in zip(volumes, parts, strict=True):
        assert abs(volume - Fraction(serving * weight, total)) < 1


@given(servings, weight_lists)
def test_nothing_in_the_split_needs_more_than_32_bits(serving: int, parts: list[int]) -> None:
    total = sum(parts)
    quotient, remainder = divmod(serving, total)
    cumulative = 0
    for weight, volume in zip(parts, split(serving, parts), strict=True):
        cumulative += weight
        assert quotient * weight <= U32
        assert remainder * cumulative <= U32
        assert quotient * weight + remainder * cumulative // total <= U32
        assert 0 <= volume <= serving


def test_the_widest_split_just_fits_32_bits() -> None:
    parts = [4095] * 16 + [15]
    assert sum(parts) == WEIGHT_SUM_MAX
    serving = SERVING_MAX // WEIGHT_SUM_MAX * WEIGHT_SUM_MAX - 1  # the greatest remainder
    assert (serving % WEIGHT_SUM_MAX) * WEIGHT_SUM_MAX == 65_534 * 65_535 <= U32
    assert sum(split(serving, parts)) == serving


@given(st.integers(0, SERVING_MAX), rates, st.integers(-OFFSET_MAX, OFFSET_MAX))
def test_nothing_in_the_ticks_needs_more_than_32_bits(volume: int, r: Rate, offset: int) -> None:
    """The form with two shifts, which RULES.md gives for 32 bits, is the form with one."""
    assert SERVING_MAX + OFFSET_MAX <= U32
    metered = max(volume - offset, 0)
    assert metered <= U32
    high = metered * r.m >> 32
    assert (high >> (r.s - 1)) + 1 <= U32
    assert ((high >> (r.s - 1)) + 1) >> 1 == ticks(metered, r) == planned(volume, Calibration(r, offset))


@given(flows(), st.sampled_from((100, 1000, 10_000)), weight_lists, servings, st.integers(-500_000, 500_000))
def test_planned_ticks_are_within_the_bound_and_one_tick_of_exact(
    flow: Fraction, tick_us: int, parts: list[int], serving: int, offset_nl: int
) -> None:
    """Serving and offset are rounded to quanta on the way, as they are for the controller."""
    try:
        r = rate(flow, tick_us)
    except ValueError:
        return
    if worst_error_ticks(flow, tick_us, LONGEST) > 1:
        return  # such a channel is refused by the check
    serving_ml = Fraction(serving, SERVING_MAX) * 15_000
    offset_ml = Fraction(offset_nl, 1_000_000) * 499
    calibration = Calibration(r, quanta(offset_ml))
    asked = exact.volumes([Fraction(part) for part in parts], serving_ml)
    for volume, asked_ml in zip(split(quanta(serving_ml), parts), asked, strict=True):
        wanted = exact.on_ticks(asked_ml, flow, offset_ml, tick_us)
        if wanted > LONGEST:
            continue
        error = abs(planned(volume, calibration) - wanted)
        assert error <= worst_error_ticks(flow, tick_us, int(wanted) + 1) <= 1


@pytest.mark.parametrize("flow", [SLOWEST, FASTEST])
def test_the_ends_of_what_is_admitted(flow: Fraction) -> None:
    """10 000 doses each on the slowest and the fastest channel, from a quantum to the greatest serving."""
    assert worst_error_ticks(flow, 1000, LONGEST) <= 1
    r, rng = rate(flow, 1000), Random(1)
    for _ in range(10_000):
        volume = rng.randint(
            1, min(SERVING_MAX, int(flow * QUANTA_PER_ML * LONGEST / 1000)) >> rng.randrange(20)
        )
        wanted = exact.on_ticks(Fraction(volume, QUANTA_PER_ML), flow, Fraction(0), 1000)
        assert abs(ticks(volume, r) - wanted) <= 1


def test_what_is_slower_or_faster_is_refused() -> None:
    for flow, words in ((Fraction(2, 256), "too slow"), (Fraction(131_073), "too fast")):
        with pytest.raises(ValueError, match=words):
            rate(flow, 1000)
    assert rate(Fraction(2, 256) * Fraction("1.001"), 1000).s == 1
    assert rate(FASTEST, 1000) == Rate(1 << 31, 24)
    with pytest.raises(ValueError, match="above zero"):
        rate(Fraction(0), 1000)


@given(flows(), st.integers(1, 100_000))
def test_a_rate_is_normalised_and_good_to_32_bits(flow: Fraction, tick_us: int) -> None:
    try:
        r = rate(flow, tick_us)
    except ValueError:
        return
    assert 1 << 31 <= r.m <= U32 and 1 <= r.s <= 24
    stored = Fraction(r.m, 1 << (32 + r.s))
    wanted = Fraction(1_000_000, tick_us) / (flow * QUANTA_PER_ML)
    assert abs(stored / wanted - 1) <= Fraction(1, 1 << 32)


def test_the_bound_needs_its_two_quanta() -> None:
    """One quantum less, and slow channels are found that are off by more."""
    flow, rng, worst = SLOWEST, Random(7), Fraction(0)
    r, quantum = rate(flow, 1000), 1000 / (flow * QUANTA_PER_ML)
    for _ in range(3000):
        parts = [rng.randint(1, 4095) for _ in range(8)]
        serving = (rng.randrange(10**6, 10**7) + Fraction(499, 1000)) / QUANTA_PER_ML
        offset = (rng.randrange(-1000, 1000) + Fraction(501, 1000)) / QUANTA_PER_ML
        calibration = Calibration(r, quanta(offset))
        asked = exact.volumes([Fraction(part) for part in parts], serving)
        for volume, asked_ml in zip(split(quanta(serving), parts), asked, strict=True):
            wanted = exact.on_ticks(asked_ml, flow, offset, 1000)
            worst = max(worst, abs(planned(volume, calibration) - wanted))
    assert Fraction(1, 2) + quantum < worst <= worst_error_ticks(flow, 1000, 10**7) < 1


def test_powers_of_two_are_exact_rates() -> None:
    for shift in range(1, 25):
        flow = Fraction(1000 << (shift + 1), QUANTA_PER_ML)  # 2^(shift+1) quanta a tick
        assert rate(flow, 1000) == Rate(1 << 31, shift)


def test_rounding_has_no_bias() -> None:
    """The mean error of many doses is that of a rectangular distribution about zero.

    The limit is the normal quantile 2.575829304 for a probability of 0.995 (any table of the normal
    distribution; recomputed by the standard library).
    """
    assert NormalDist().inv_cdf(0.995) == pytest.approx(2.575829304, abs=1e-9)
    rng, errors = Random(20), []
    for _ in range(20_000):
        r = Rate(rng.randrange(1 << 31, 1 << 32), rng.randint(6, 12))
        volume = rng.randrange(1 << 24)
        errors.append(float(ticks(volume, r) - Fraction(volume * r.m, 1 << (32 + r.s))))
    assert abs(sum(errors) / len(errors)) < 2.575829304 * (1 / 12 / len(errors)) ** 0.5


@given(st.integers(-OFFSET_MAX, OFFSET_MAX), rates)
def test_off_ticks_have_the_sign_of_the_offset(offset: int, r: Rate) -> None:
    size = off_ticks(Calibration(r, offset))
    assert abs(size) == ticks(abs(offset), r)
    assert size == 0 or (size > 0) == (offset > 0)


def test_no_time_when_the_offset_brings_it_all() -> None:
    r = Rate(1 << 31, 5)
    assert planned(1000, Calibration(r, 1000)) == planned(999, Calibration(r, 1000)) == 0
    assert planned(1000, Calibration(r, -1000)) == ticks(2000, r)


def test_volumes_round_half_up() -> None:
    quantum = Fraction(1, QUANTA_PER_ML)
    assert [quanta(quantum * Fraction(half, 2)) for half in (0, 1, 2, 3, -1, -3)] == [0, 1, 1, 2, 0, -1]


# Weights

part_lists = st.lists(st.fractions(Fraction(1, 50), 500, max_denominator=200), min_size=1, max_size=20)


@given(
    st.lists(st.integers(1, 4095), min_size=1, max_size=16),
    st.fractions(Fraction(1, 9), 9, max_denominator=77),
)
def test_small_ratios_are_exact_in_any_unit(ratio: list[int], unit: Fraction) -> None:
    stored = weights([part * unit for part in ratio])
    assert all(a * stored[0] == b * ratio[0] for a, b in zip(ratio, stored, strict=True))


@given(part_lists)
def test_weights_fit_and_their_shares_are_off_by_half_a_weight_at_most(parts: list[Fraction]) -> None:
    try:
        stored = weights(parts)
    except ValueError:
        assert min(parts) * 2 * WEIGHT_MAX < max(parts)
        return
    assert min(stored) >= 1 and max(stored) <= WEIGHT_MAX and sum(stored) <= WEIGHT_SUM_MAX
    # No worse than at the greatest scale, where each weight is off by at most one half:
    scale = min(Fraction(WEIGHT_MAX), (WEIGHT_SUM_MAX - len(parts)) * max(parts) / sum(parts)) - 1
    bound = Fraction(1, 2) / (min(parts) / max(parts) * scale)
    assert worst_error(parts, stored) <= bound
    if bound < 1:
        shares = [part / sum(parts) for part in parts]
        for weight, share in zip(stored, shares, strict=True):
            assert abs(Fraction(weight, sum(stored)) / share - 1) <= (1 + bound) / (1 - bound) - 1


@given(st.lists(st.integers(1, 10**6), min_size=2, max_size=4), st.integers(1, 11))
def test_no_scale_is_better_than_the_one_taken(parts: list[int], first: int) -> None:
    fractions = [Fraction(part) for part in parts]
    try:
        taken = worst_error(fractions, weights(fractions))
    except ValueError:
        return
    for scale in range(first, WEIGHT_MAX + 1, 11):
        other = [(2 * part * scale + max(parts)) // (2 * max(parts)) for part in parts]
        assert taken <= worst_error(fractions, other) + Fraction(1, 1 << 60)


def worst_error(parts: Sequence[Fraction], stored: Sequence[int]) -> Fraction:
    """Of any part beside the greatest, relative."""
    scale = max(stored) / max(parts)
    return max(abs(w / (part * scale) - 1) for w, part in zip(stored, parts, strict=True))


def test_sums_up_to_65535_and_not_above() -> None:
    widest = [4095] * 15 + [4094, 16]
    assert sum(widest) == WEIGHT_SUM_MAX
    assert weights([Fraction(part) for part in widest]) == tuple(widest)
    reduced = weights([Fraction(part) for part in [4095] * 15 + [4094, 17]])
    assert sum(reduced) <= WEIGHT_SUM_MAX and len(set(reduced[:15])) == 1


def test_a_part_that_would_vanish_is_an_error() -> None:
    assert weights([Fraction(8190), Fraction(1)]) == (4095, 1)
    with pytest.raises(ValueError, match="vanish"):
        weights([Fraction(8191), Fraction(1)])
    for parts in ([], [Fraction(0)], [Fraction(1), Fraction(-1)]):
        with pytest.raises(ValueError, match="above zero"):
            weights(parts)


# Facts of the trade: common practice, no source.


def test_45_ml_at_98_ml_a_minute_take_27_551_s() -> None:
    assert ticks(quanta(Fraction(45)), rate(Fraction(98, 60), 1000)) == 27_551


def test_a_sample_of_one_ounce_has_the_proportions_of_a_pour_of_five() -> None:
    ounce = quanta(Fraction("29.5735295625"))
    parts = weights([Fraction(7), Fraction(2), Fraction(1)])
    for small, large in zip(split(ounce, parts), split(5 * ounce, parts), strict=True):
        assert abs(5 * small - large) <= 5
