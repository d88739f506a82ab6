"""Planted slips: in what the controller tells, in what its pins do, and in both alike."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable, Iterable

import pytest

from dosewright.gen.compiled import CompiledRecipe, Dose
from dosewright.gen.lower import Compiled
from dosewright.gen.twin_log import Entry
from dosewright.hil.faults import Case
from dosewright.hil.record import Verdict
from dosewright.hil.regression import cases, fault_cases, replay
from dosewright.hil.replay import Session
from dosewright.hil.verdicts import Court
from twin_device import TwinDevice, unchanged

Slip = Callable[[Iterable[Entry]], list[Entry]]
OFF, ON, DONE = 6, 7, 8


def dock_sour(court: Court) -> Case:
    """Soda, then lime juice on line C and ginger syrup on line A, then the stirrer."""
    (case,) = cases(court.compiled, ["Dock Sour"], ["regular"])
    return case


def judged(
    court: Court, told: Slip = unchanged, pinned: Slip = unchanged, device: Compiled | None = None
) -> Verdict:
    rig = TwinDevice(device or court.compiled, told, pinned).rig()
    (verdict,) = replay(court, lambda: rig, [dock_sour(court)])
    return verdict


def in_order(entries: Iterable[Entry]) -> list[Entry]:
    """Sorted as a trace is, across the wrap of the tick that the device starts just before."""
    return sorted(entries, key=lambda e: ((e.tick + 0x100) & 0xFFFFFFFF, e.code, e.argument))


def moved(code: int, output: int, by: int) -> Slip:
    """An edge some ticks later, and the trace in order again."""

    def slip(trace: Iterable[Entry]) -> list[Entry]:
        entries = [
            e._replace(tick=e.tick + by) if (e.code, e.argument) == (code, output) else e for e in trace
        ]
        return in_order(entries)

    return slip


def dropped(code: int, output: int) -> Slip:
    return lambda trace: [e for e in trace if (e.code, e.argument) != (code, output)]


def at(court: Court, code: int, output: int) -> int:
    """When the plan has this edge."""
    device = TwinDevice(court.compiled)
    list(replay(court, lambda: device.rig(), [dock_sour(court)]))
    trace = device.outcome().trace
    start = next(e.tick for e in trace if e.code == 1)
    return next(e.tick for e in trace if (e.code, e.argument) == (code, output)) - start


def test_nothing_is_found_where_nothing_slipped(court: Court) -> None:
    assert judged(court).findings == ()


def test_a_late_edge_is_told_in_the_words_of_the_trade(court: Court) -> None:
    tick = at(court, OFF, 2) / 1000
    verdict = judged(court, moved(OFF, 2, 3), moved(OFF, 2, 3))
    assert verdict.findings[0] == (
        f"lime juice (line C) went off 3 ms late: expected {tick:.3f} s, found {tick + 0.003:.3f} s"
    )
    assert (verdict.recipe, verdict.serving) == ("Dock Sour", "regular")


def test_an_early_edge(court: Court) -> None:
    assert (
        "ginger syrup (line A) went on 1 ms early"
        in judged(court, moved(ON, 0, -1), moved(ON, 0, -1)).findings[0]
    )


def test_an_edge_that_never_came(court: Court) -> None:
    slip = dropped(OFF, 2)
    verdict = judged(court, slip, slip)
    assert verdict.findings[0].startswith("lime juice (line C) never went off: expected at ")
    assert "C was never switched off" in verdict.findings


def test_an_edge_too_many(court: Court) -> None:
    def slip(trace: Iterable[Entry]) -> list[Entry]:
        entries = list(trace)
        beside = [e._replace(argument=5) for e in entries if e.code in (OFF, ON) and e.argument == 2]
        return in_order([*entries, *beside])

    verdict = judged(court, slip, slip)
    assert verdict.findings[0] == "mint syrup (line F) went on at 0.060 s, where nothing was expected"
    assert "F was on, which the recipe does not ask for" in verdict.findings


def test_two_lines_swapped(court: Court) -> None:
    swap = {0: 2, 2: 0}

    def slip(trace: Iterable[Entry]) -> list[Entry]:
        return in_order(
            e._replace(argument=swap.get(e.argument, e.argument)) if e.code in (OFF, ON) else e for e in trace
        )

    assert not judged(court, slip, slip).passed


@pytest.mark.parametrize("output", [0, 2, 6, 8])
@pytest.mark.parametrize("code", [OFF, ON])
@pytest.mark.parametrize("by", [-1, 1])
def test_one_tick_on_the_pin_alone(court: Court, code: int, output: int, by: int) -> None:
    """The controller tells the right thing and its pin does another."""
    (finding, *_) = judged(court, pinned=moved(code, output, by)).findings
    assert f"1 ms {'late' if by > 0 else 'early'}, by its pin" in finding


@pytest.mark.parametrize("by", [-1, 1])
def test_one_tick_in_the_trace_alone(court: Court, by: int) -> None:
    assert judged(court, told=moved(OFF, 6, by)).findings != ()


def test_a_missing_done(court: Court) -> None:
    slip = moved(DONE, 0, 1)
    verdict = judged(court, slip)
    assert verdict.findings[0].startswith("expected done at ")


def with_steps(court: Court, change: Callable[[CompiledRecipe], CompiledRecipe]) -> tuple[Court, Compiled]:
    """A court whose plan and twin have the same slip as the controller: only the checker can see it."""
    recipes = tuple(change(r) if r.name == "Dock Sour" else r for r in court.compiled.recipes.recipes)
    table = dataclasses.replace(court.compiled.recipes, recipes=recipes)
    compiled = dataclasses.replace(court.compiled, recipes=table)
    return dataclasses.replace(court, compiled=compiled), compiled


def reordered(recipe: CompiledRecipe) -> CompiledRecipe:
    first, second, *rest = recipe.steps
    return dataclasses.replace(recipe, steps=(second, first, *rest))


def heavier(recipe: CompiledRecipe) -> CompiledRecipe:
    steps = [dataclasses.replace(s, weight=s.weight + 1) if isinstance(s, Dose) else s for s in recipe.steps]
    return dataclasses.replace(recipe, steps=tuple(steps))


def longer(recipe: CompiledRecipe) -> CompiledRecipe:
    steps = [s if isinstance(s, Dose) else dataclasses.replace(s, ticks=s.ticks + 2) for s in recipe.steps]
    return dataclasses.replace(recipe, steps=tuple(steps))


def too_early(recipe: CompiledRecipe) -> CompiledRecipe:
    return dataclasses.replace(
        recipe, steps=tuple(dataclasses.replace(s, after_all=False) for s in recipe.steps)
    )


@pytest.mark.parametrize(
    ("slip", "finding"),
    [
        (reordered, "C started before G"),
        (heavier, "ml take"),
        (longer, "stirrer was on for 2.0020 s; 2 s is right"),
        (too_early, "stirrer started before the last dose had ended"),
    ],
)
def test_the_same_slip_in_table_twin_and_controller(
    court: Court, slip: Callable[[CompiledRecipe], CompiledRecipe], finding: str
) -> None:
    slipped, compiled = with_steps(court, slip)
    verdict = judged(slipped, device=compiled)
    assert any(finding in found for found in verdict.findings), verdict.findings


@pytest.mark.parametrize(
    ("field", "value", "finding"),
    [("supply", 8000, "mA were drawn at once"), ("inrush_gap", 0, "ms must lie between")],
)
def test_the_same_limit_forgotten_on_both_sides(court: Court, field: str, value: int, finding: str) -> None:
    machine = dataclasses.replace(court.compiled.machine, **{field: value})
    compiled = dataclasses.replace(court.compiled, machine=machine)
    slipped = dataclasses.replace(court, compiled=compiled)
    rig = TwinDevice(compiled).rig()
    found = [f for v in replay(slipped, lambda: rig, cases(compiled, (), ["regular"])) for f in v.findings]
    assert any(finding in text for text in found)


def test_the_same_slip_of_the_arithmetic_on_both_sides(court: Court) -> None:
    """A thousandth on every rate: plan, twin and engine agree, and the recipe's own numbers do not."""
    channels = tuple(
        dataclasses.replace(c, rate=dataclasses.replace(c.rate, m=c.rate.m + (c.rate.m >> 10)))
        for c in court.compiled.calibration.channels
    )
    calibration = dataclasses.replace(court.compiled.calibration, channels=channels)
    compiled = dataclasses.replace(court.compiled, calibration=calibration)
    verdict = judged(dataclasses.replace(court, compiled=compiled), device=compiled)
    assert any("ml take" in finding for finding in verdict.findings)
    assert any("ml were poured in all" in finding for finding in verdict.findings)


def test_interlocks_forgotten_on_both_sides(stand: Court) -> None:
    """A machine whose compiled needs are gone pours on with the guard open, and bounds.py alone can tell."""
    outputs = tuple(dataclasses.replace(output, needs=0) for output in stand.compiled.machine.outputs)
    compiled = dataclasses.replace(
        stand.compiled, machine=dataclasses.replace(stand.compiled.machine, outputs=outputs)
    )
    slipped = dataclasses.replace(stand, compiled=compiled)
    rig = TwinDevice(compiled).rig()
    played = [
        case
        for case in fault_cases(compiled)
        if case.fault == "guard lost in the middle of a dose, stays open"
    ]
    found = [f for v in replay(slipped, lambda: rig, played) for f in v.findings]
    assert any(f.endswith("was on although guard was open") for f in found)


def test_going_on_without_being_asked_on_both_sides(stand: Court) -> None:
    locks = tuple(dataclasses.replace(lock, goes_on=True) for lock in stand.compiled.machine.interlocks)
    machine = dataclasses.replace(stand.compiled.machine, interlocks=locks)
    compiled = dataclasses.replace(stand.compiled, machine=machine)
    slipped = dataclasses.replace(stand, compiled=compiled)
    rig = TwinDevice(compiled).rig()
    played = [
        case
        for case in fault_cases(compiled)
        if case.fault == "permit lost in the middle of a dose, comes back"
    ]
    found = [f for v in replay(slipped, lambda: rig, played) for f in v.findings]
    assert any("nobody had asked to go on after permit was open" in f for f in found)


@pytest.mark.parametrize(("late", "passes"), [(50, True), (51, False)])
def test_a_pin_late_within_its_tick(court: Court, late: int, passes: bool) -> None:
    """On a board that counts cycles: 16 000 a tick, all edges a constant after it, one later."""
    session = Session(TwinDevice(court.compiled).rig(), court.compiled)
    session.prepare()
    case = dock_sour(court)
    record = session.pour(case.recipe, case.serving)
    assert record.edges
    edges = [dataclasses.replace(edge, cycle=16_000 * edge.tick + 700) for edge in record.edges]
    alone = next(e for e in edges if [other.tick for other in edges].count(e.tick) == 1)
    edges[edges.index(alone)] = dataclasses.replace(alone, cycle=16_000 * alone.tick + 700 + late)
    verdict = court.undisturbed(dataclasses.replace(record, edges=tuple(edges)))
    assert verdict.timing and verdict.timing.worst == late
    assert verdict.passed is passes
    assert passes or verdict.findings == (
        "its pins changed up to 51 cycles late, those of one tick 0 apart; 50 and 8 may be",
    )


def test_lost_entries_are_a_finding(court: Court) -> None:
    device = TwinDevice(court.compiled)
    plain = device.answer
    lost = itertools.count()
    device.answer = (
        lambda kind, payload: (  # type: ignore[method-assign]
            bytes([0, 0, next(lost), 0]) + plain(kind, payload)[4:] if kind == 33 else plain(kind, payload)
        )
    )
    (verdict,) = replay(court, device.rig, [dock_sour(court)])
    assert "the controller's trace overflowed" in verdict.findings[0]
