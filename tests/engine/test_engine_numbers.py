"""The engine's arithmetic against Python's integers without end, at its limits and in between."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import product
from random import Random

Ask = Callable[[Sequence[str]], list[str]]

U32 = (1 << 32) - 1
RATES = [(m, s) for m in (1 << 31, (1 << 31) + 1, 0xAAAAAAAA, U32) for s in (1, 2, 9, 23, 24)]
VOLUMES = [1, 2, 255, 65535, 65536, 1 << 31, 4_000_000_000, 4_128_000_000, U32]
OFFSETS = [-128_000_000, -1, 0, 1, 128_000_000]


def nearest(volume: int, m: int, s: int) -> int:
    """The page's formula, in integers that cannot overflow."""
    return (((volume * m) >> 32) + (1 << (s - 1))) >> s


def test_ticks(parts: Ask) -> None:
    rng = Random(1)
    cases = [(v, m, s) for v, (m, s) in product(VOLUMES, RATES)]
    cases += [
        (rng.randrange(1 << 32), rng.randrange(1 << 31, 1 << 32), rng.randint(1, 24)) for _ in range(20_000)
    ]
    answers = parts([f"ticks {v} {m} {s}" for v, m, s in cases])
    assert answers == [str(nearest(*case)) for case in cases]


def test_doses_and_offsets(parts: Ask) -> None:
    cases = [
        (v, m, s, o) for v, (m, s), o in product([*VOLUMES[:-2], 128_000_000, 128_000_001], RATES, OFFSETS)
    ]
    doses = parts([f"dose {v} {m} {s} {o}" for v, m, s, o in cases])
    assert doses == [str(nearest(v - o, m, s) if v > o else 0) for v, m, s, o in cases]
    offsets = parts([f"offset {m} {s} {o}" for _, m, s, o in cases])
    assert offsets == [str(nearest(abs(o), m, s) * (-1 if o < 0 else 1)) for _, m, s, o in cases]


def test_shares_add_up_to_the_serving(parts: Ask) -> None:
    rng = Random(2)
    cases = [
        (4_000_000_000, [4095] * 16),
        (1, [1, 1, 1]),
        (4_000_000_000, [1]),
        (65534, [4095] * 15 + [4094]),
    ]
    for _ in range(5000):
        weights = [rng.randint(1, 4095) for _ in range(rng.randint(1, 16))]
        cases.append((rng.randint(1, rng.choice((100, 1 << 20, 4_000_000_000))), weights))
    answers = parts([f"share {serving} {' '.join(map(str, weights))}" for serving, weights in cases])
    for (serving, weights), line in zip(cases, answers, strict=True):
        shares = list(map(int, line.split()))
        total = sum(weights)
        assert sum(shares) == serving
        reached = 0
        for share, weight in zip(shares, weights, strict=True):
            reached += weight
            before = serving % total * (reached - weight) // total
            assert share == serving // total * weight + serving % total * reached // total - before


def test_the_slower_of_two_rates(parts: Ask) -> None:
    cases = list(product(RATES, RATES))
    answers = parts([f"slower {m1} {s1} {m2} {s2}" for (m1, s1), (m2, s2) in cases])
    assert answers == [str(int(m1 << (24 - s1) > m2 << (24 - s2))) for (m1, s1), (m2, s2) in cases]
