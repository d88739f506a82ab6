"""The engine does to the tick what the twin says, for random machines, recipes, servings and logs.

The engine runs under the address and undefined-behaviour sanitisers. Seeds are fixed; DOSEWRIGHT_FUZZ_FIRST
and DOSEWRIGHT_FUZZ_CASES try others.
"""

from __future__ import annotations

import os
from collections import Counter, defaultdict
from fractions import Fraction
from pathlib import Path

import pytest

from dosewright.gen import exact
from dosewright.gen.codes import Code, Reason
from dosewright.gen.compiled import QUANTA_PER_ML, SELECTED_RECIPE, Dose
from dosewright.gen.twin_log import CLOSED, Pour, Request
from engine.comparison import Told, by_engine, by_twin, difference, smallest
from engine.random_cases import Case, case, numbers_case

FIRST = int(os.environ.get("DOSEWRIGHT_FUZZ_FIRST", "0"))
CASES = int(os.environ.get("DOSEWRIGHT_FUZZ_CASES", "20000"))
BATCH = 500

# In how many of a hundred cases each must occur at least, so that the comparison is worth something.
CODES = dict.fromkeys(Code, 15.0)
REFUSALS = {
    Reason.INTERLOCK: 20.0,
    Reason.BUSY: 30.0,
    Reason.NO_RECIPES: 1.0,
    Reason.NO_CALIBRATION: 1.0,
    Reason.UNKNOWN_RECIPE: 5.0,
    Reason.UNKNOWN_SERVING: 5.0,
    Reason.VESSEL_TOO_SMALL: 2.0,
    Reason.NOT_CALIBRATED: 2.0,
    Reason.DOSE_TOO_SMALL: 10.0,
    Reason.DOSE_TOO_LONG: 2.0,
    Reason.VESSEL_NOT_CHANGED: 10.0,
    Reason.NOTHING_TO_GO_ON_WITH: 30.0,
    Reason.NO_SUCH_OUTPUT: 1.0,
}
ABORTS = {
    Reason.STOP: 10.0,
    Reason.INTERLOCK: 4.0,
    Reason.MAX_ON: 1.5,
    Reason.POUR_LIMIT: 5.0,
    Reason.PAUSE_LIMIT: 4.0,
    Reason.LINK_LOST: 4.0,
}


def test_twin_equals_engine(driver: Path) -> None:
    seen: Counter[object] = Counter()
    for first in range(FIRST, FIRST + CASES, BATCH):
        cases = [case(seed) for seed in range(first, min(first + BATCH, FIRST + CASES))]
        for made, engine in zip(cases, by_engine(driver, cases), strict=True):
            twin = by_twin(made)
            if twin != engine:
                found = difference(made, twin, engine)
                assert found
                pytest.fail(str(smallest(found, driver)))
            seen.update(happened(made, engine))
    for wanted in (
        {("code", code): share for code, share in CODES.items()},
        {("refused", reason): share for reason, share in REFUSALS.items()},
        {("aborted", reason): share for reason, share in ABORTS.items()},
        {("restart",): 8.0, ("wrap",): 20.0, ("selected",): 1.0, ("passed over",): 1.0, ("stop wins",): 1.0},
    ):
        rare = {what: seen[what] for what, share in wanted.items() if seen[what] * 100 < share * CASES}
        assert not rare, f"too rare among {CASES} cases: {rare}"


def test_the_planned_ticks_are_equal_and_within_a_tick_of_exact(driver: Path) -> None:
    """Weights, servings, rates and offsets over all that a table may hold, and their ends."""
    cases = [numbers_case(seed) for seed in range(5000)]
    planned = 0
    for made, engine in zip(cases, by_engine(driver, cases), strict=True):
        found = difference(made, by_twin(made), engine)
        assert not found, str(found)
        assert made.recipes and made.calibration
        parts = [Fraction(step.weight) for step in made.recipes.recipes[0].steps if isinstance(step, Dose)]
        asked = exact.volumes(parts, Fraction(made.recipes.servings[0], QUANTA_PER_ML))
        for line, volume, channel in zip(engine["booked"], asked, made.calibration.channels, strict=False):
            flow = Fraction(1000 << (32 + channel.rate.s), channel.rate.m * QUANTA_PER_ML)  # ml/s at 1 ms
            wanted = exact.on_ticks(volume, flow, Fraction(channel.offset, QUANTA_PER_ML), 1000)
            assert abs(int(line.split()[3]) - wanted) <= 1, line
            planned += 1
    assert planned > 5000


def happened(made: Case, told: Told) -> set[object]:
    """What occurred in a case, as the engine told it."""
    entries = [tuple(map(int, line.split()[1:])) for line in told["t"]]
    seen: set[object] = {("code", code) for _, code, _ in entries}
    seen |= {("aborted", argument) for _, code, argument in entries if code == Code.ABORT}
    seen |= {("refused", int(line.split()[1])) for line in told["answer"]}
    if any(int(line.split()[2]) > 1 for line in told["booked"]):
        seen.add(("restart",))
    if entries and entries[-1][0] < entries[0][0]:
        seen.add(("wrap",))
    pressed: defaultdict[int, set[str]] = defaultdict(set)
    for tick, code, argument in entries:
        if code == Code.INPUT and argument >= CLOSED + len(made.machine.interlocks):
            button = made.machine.buttons[argument - CLOSED - len(made.machine.interlocks)]
            pressed[tick].add(button.does)
    if any("stop" in together and together & {"pour", "go on"} for together in pressed.values()):
        seen.add(("stop wins",))
    pouring = {button.recipe for button in made.machine.buttons if button.does == "pour"}
    if pouring == {SELECTED_RECIPE}:  # then a pour beyond those asked for is one that contacts chose
        asked = [event for event in made.events if isinstance(event, Request)]
        accepted = sum(
            isinstance(event, Pour) and line.split()[1] == "0"
            for event, line in zip(asked, told["answer"], strict=True)
        )
        seen.add(
            ("selected",) if sum(code == Code.POUR for _, code, _ in entries) > accepted else ("passed over",)
        )
    return seen
