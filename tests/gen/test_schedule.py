"""The greedy order of starts against what is proven about list schedules.

A machine whose outputs draw equal current, with room for m of them, is m like machines; doses in
table order are a list. Graham's instance with precedence (SIAM J. Appl. Math. 17 (1969) 416: 12,
13, 15 and 16) cannot be put on it: there a ready job overtakes one that waits for another, here
nothing skips ahead and the one precedence is a barrier behind all steps before it. What holds of
lists without precedence does apply.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosewright.gen.compiled import Dose
from small_machine import Bench, doses


def makespan(jobs: Sequence[int], machines: int) -> int:
    return Bench(doses(*jobs), supply=machines).duration()


def optimum(jobs: Sequence[int], machines: int) -> int:
    """By trying every assignment (the first job on the first machine)."""
    return min(
        max(
            sum(job for job, at in zip(jobs, (0, *rest), strict=True) if at == machine)
            for machine in range(machines)
        )
        for rest in product(range(machines), repeat=len(jobs) - 1)
    )


@pytest.mark.parametrize(
    ("machines", "jobs", "largest_first"),
    [
        (2, (3, 3, 2, 2, 2), 7),
        (3, (5, 5, 4, 4, 3, 3, 3), 11),
        (4, (7, 7, 6, 6, 5, 5, 4, 4, 4), 15),
    ],
)
def test_the_tight_cases_of_largest_first(machines: int, jobs: tuple[int, ...], largest_first: int) -> None:
    """4/3 - 1/(3m) is reached (Graham 1969; figures from memory, optima by exhaustion here for m < 4)."""
    assert makespan(jobs, machines) == largest_first
    best = {2: 6, 3: 9, 4: 12}[machines]
    if machines < 4:
        assert optimum(jobs, machines) == best
    assert Fraction(largest_first, best) == Fraction(4, 3) - Fraction(1, 3 * machines)


@pytest.mark.parametrize("machines", [2, 3, 4])
def test_the_tight_case_of_any_list(machines: int) -> None:
    """m(m-1) ones, then m: 2m-1 against m (Graham 1966; figures from memory)."""
    assert makespan([1] * (machines * (machines - 1)) + [machines], machines) == 2 * machines - 1


def test_a_published_list() -> None:
    """4 5 6 7 8 take 18 on two machines and 13 on three; the best are 15 and 11 (Graham 1966)."""
    jobs = (4, 5, 6, 7, 8)
    assert [makespan(jobs, 2), makespan(jobs, 3)] == [18, 13]
    assert [optimum(jobs, 2), optimum(jobs, 3)] == [15, 11]


@given(st.lists(st.integers(1, 30), min_size=1, max_size=7), st.integers(1, 3))
def test_between_the_best_and_the_bounds(jobs: list[int], machines: int) -> None:
    """Any list within 2 - 1/m of the best, largest first within 4/3 - 1/(3m) (Graham 1969)."""
    best = optimum(jobs, machines)
    assert best <= makespan(jobs, machines) <= (2 - Fraction(1, machines)) * best
    largest_first = makespan(sorted(jobs, reverse=True), machines)
    assert best <= largest_first <= (Fraction(4, 3) - Fraction(1, 3 * machines)) * best


@given(st.lists(st.integers(1, 50), min_size=1, max_size=16), st.integers(1, 5))
def test_never_below_what_any_schedule_needs(jobs: list[int], machines: int) -> None:
    """max(longest job, work over machines), and Graham's bound from the same two."""
    took, work = makespan(jobs, machines), sum(jobs)
    assert max(max(jobs), -(-work // machines)) <= took
    assert took <= Fraction(work, machines) + (1 - Fraction(1, machines)) * max(jobs)


pours = st.lists(
    st.tuples(st.integers(2, 30), st.integers(1, 9), st.integers(0, 2), st.booleans()), min_size=1, max_size=8
)


@given(
    pours, st.integers(9, 20), st.integers(0, 5), st.tuples(st.integers(0, 9), st.integers(0, 9)), st.data()
)
def test_in_one_order_shorter_doses_or_more_current_never_take_longer(
    steps: list[tuple[int, int, int, bool]],
    supply: int,
    gap: int,
    dead: tuple[int, int],
    data: st.DataObject,
) -> None:
    """With the order kept and nothing overtaking or disturbing, a start is a greatest of earlier ends."""

    def took(lengths: Sequence[int], supply: int) -> int:
        return Bench(
            [Dose(i, length, step[3]) for i, (length, step) in enumerate(zip(lengths, steps, strict=True))],
            current=[step[1] for step in steps],
            group=[step[2] for step in steps],
            dead_times=dead,
            supply=supply,
            inrush_gap=gap,
        ).duration()

    lengths = [step[0] for step in steps]
    shorter = [data.draw(st.integers(1, length)) for length in lengths]
    assert took(shorter, supply) <= took(lengths, supply)
    assert took(lengths, supply + data.draw(st.integers(0, 9))) <= took(lengths, supply)


def test_largest_first_makes_less_take_longer() -> None:
    """The anomaly of greedy schedules: 3 parts less of a slow liquid, and it is poured last and takes longer.

    Amounts 40, 39 and 38, then 37, 39 and 38; the first liquid flows at a third of the rate of the others.
    """

    def took(amounts: Sequence[int]) -> int:
        order = sorted(range(3), key=lambda i: -amounts[i])
        times = [amounts[i] * (3 if i == 0 else 1) for i in order]
        return makespan(times, 2)

    assert took((40, 39, 38)) == 120
    assert took((37, 39, 38)) == 38 + 37 * 3
