"""Plans against the exact fractions, and against what a machine must never be asked to do."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosewright.gen import exact
from dosewright.gen.arithmetic import quanta, rate
from dosewright.gen.codes import Reason
from dosewright.gen.compiled import (
    QUANTA_PER_ML,
    Calibration,
    CalibrationTable,
    CompiledMachine,
    CompiledRecipe,
    Dose,
    RecipeTable,
    Stage,
)
from dosewright.gen.plan import PlanError, plan, plans
from dosewright.gen.twin_log import Edge
from small_machine import Bench, doses, interlock


@dataclass(frozen=True)
class Compiled:
    machine: CompiledMachine
    recipes: RecipeTable
    calibration: CalibrationTable


def compiled(
    bench: Bench, flows_ml_per_min: list[Fraction], offset_ml: Fraction, servings_ml: list[int]
) -> Compiled:
    """The bench's machine and recipe with calibrations and servings in everyday units."""
    channels = tuple(Calibration(rate(flow / 60, 1000), quanta(offset_ml)) for flow in flows_ml_per_min)
    table = RecipeTable(tuple(quanta(Fraction(ml)) for ml in servings_ml), bench.recipes.recipes)
    return Compiled(bench.machine, table, CalibrationTable("", channels))


flows = st.fractions(5, 6000, max_denominator=100)
pours = st.lists(st.tuples(st.integers(1, 9), flows), min_size=1, max_size=8)
offsets = st.fractions(Fraction(-1, 2), Fraction(1, 2), max_denominator=1000)


@given(pours, offsets, st.integers(60, 400), st.integers(1, 8))
def test_every_dose_is_within_a_tick_and_the_serving_is_whole(
    pour: list[tuple[int, Fraction]], offset: Fraction, serving: int, at_once: int
) -> None:
    parts = [part for part, _ in pour]
    bench = Bench(doses(*parts), supply=at_once, max_on=10**7, pour_limit=10**8)
    try:
        made = plan(
            compiled(bench, [flow for _, flow in pour], offset, [serving]), bench.recipes.recipes[0], 0
        )
    except PlanError as error:
        assert error.reason in (Reason.DOSE_TOO_SMALL, Reason.DOSE_TOO_LONG)
        return
    assert sum(dose.asked_ml for dose in made.doses) == serving
    asked = exact.volumes([Fraction(part) for part in parts], Fraction(serving))
    on_times = {dose.output: 0 for dose in made.doses}
    for tick, output, on in made.edges:
        on_times[output] += -tick if on else tick
    for dose, (_, flow), volume in zip(made.doses, pour, asked, strict=True):
        assert dose.asked_ml == volume
        wanted = exact.on_ticks(volume, flow / 60, offset, 1000)
        assert abs(dose.ticks - wanted) <= 1
        assert abs(dose.exact_ticks - wanted) < Fraction(1, 4), "only offset and rate are stored rounded"
        assert abs(dose.error_ml) <= flow / 60_000
        assert on_times[dose.output] == dose.ticks
        assert dose.realised_ml - dose.asked_ml == dose.error_ml
        assert abs(dose.error_ml - dose.error_ticks * flow / 60_000) < Fraction(1, 10**6)
    assert made.edges[0] == Edge(0, 0, True)
    assert made.duration == made.edges[-1].tick
    assert [edge.tick for edge in made.edges] == sorted(edge.tick for edge in made.edges)


def test_45_ml_at_98_ml_a_minute() -> None:
    """Common practice, no source: 27.551 s."""
    bench = Bench(doses(1))
    made = plan(compiled(bench, [Fraction(98)], Fraction(0), [45]), bench.recipes.recipes[0], 0)
    assert made.edges == (Edge(0, 0, True), Edge(27_551, 0, False))
    assert made.doses[0].exact_ticks == pytest.approx(27_551.020, abs=0.001)
    assert float(made.doses[0].realised_ml) == pytest.approx(45, abs=0.98 / 600)


def test_a_stage_is_in_the_edges_but_no_dose() -> None:
    bench = Bench([Stage(1, 100), Dose(0, 20, after_all=True)])
    made = plan(Compiled(bench.machine, bench.recipes, bench.calibration), bench.recipes.recipes[0], 0)
    assert made.edges == (Edge(0, 1, True), Edge(100, 1, False), Edge(100, 0, True), Edge(120, 0, False))
    assert [dose.output for dose in made.doses] == [0]


def test_interlocks_are_taken_as_closed_whatever_they_ask_for() -> None:
    locks = [
        interlock(debounce=50),
        interlock(while_pouring=False, to_start=True),
        interlock(always=True, aborts=True),
    ]
    bench = Bench(doses(20), interlocks=locks, vessel=0)
    made = plan(Compiled(bench.machine, bench.recipes, bench.calibration), bench.recipes.recipes[0], 0)
    assert made.duration == 20


def test_what_would_be_refused_or_aborted_has_no_plan() -> None:
    bench = Bench(doses(20))
    good = Compiled(bench.machine, bench.recipes, bench.calibration)
    (recipe,) = bench.recipes.recipes
    tight = {
        Reason.DOSE_TOO_LONG: Bench(doses(20), max_on=19).machine,
        Reason.POUR_LIMIT: Bench(doses(20), pour_limit=18).machine,
        Reason.VESSEL_TOO_SMALL: replace(bench.machine, vessel=1),
    }
    for reason, machine in tight.items():
        with pytest.raises(PlanError) as caught:
            plan(replace(good, machine=machine), recipe, 0)
        assert caught.value.reason == reason
    with pytest.raises(PlanError, match="recipe 1 '', serving 0: dose too small"):
        plan(replace(good, recipes=RecipeTable((1,), (recipe,))), recipe, 0)


def test_all_plans_come_in_the_order_of_the_table() -> None:
    bench = Bench(doses(20, 10))
    second = CompiledRecipe(2, "", (Dose(1, 1),))
    both = Compiled(
        bench.machine,
        RecipeTable((QUANTA_PER_ML, 2 * QUANTA_PER_ML), (*bench.recipes.recipes, second)),
        bench.calibration,
    )
    made = list(plans(both))
    assert [(p.recipe.number, p.serving) for p in made] == [(1, 0), (1, 1), (2, 0), (2, 1)]
    assert made == [plan(both, p.recipe, p.serving) for p in made]
