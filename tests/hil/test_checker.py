"""The checker and the bounds on edges drawn by hand; they know nothing of compiler, twin and judge."""

from __future__ import annotations

import ast
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from dosewright.hil import bounds, checker
from dosewright.hil.bounds import Closed, beyond
from dosewright.hil.checker import Line, Part, Pour, Rules, Switch, Timed, check, rounding, safe

# Two lines of 1 ml/s that share a manifold, one alone, and a stirrer; 1 ms ticks.
RULES = Rules(
    lines=(
        Line("A", Fraction(800), "manifold", Fraction(40)),
        Line("B", Fraction(800), "manifold"),
        Line("C", Fraction(800)),
        Line("stirrer", Fraction(50)),
    ),
    supply_ma=Fraction(1700),
    inrush_gap=Fraction(1, 50),
    dead_times={"manifold": Fraction(1, 10)},
    tick=Fraction(1, 1000),
)
POUR = Pour(
    parts=(
        Part(0, Fraction(5), Fraction(1), Fraction(0)),
        Part(1, Fraction(3), Fraction(1), Fraction(1, 5)),
        Part(2, Fraction(4), Fraction(1), Fraction(-1, 10)),
    ),
    stages=(Timed(3, Fraction(2), "after"),),
    largest_first=True,
)
# A 5 s, C 4.1 s (0.1 ml are lost at its start), B 2.8 s (0.2 ml run on), 100 ms after A of the same manifold.
SPANS = {0: (100, 5100), 2: (120, 4220), 1: (5200, 8000), 3: (8000, 10_000)}


def switches(spans: dict[int, tuple[int, int]]) -> list[Switch]:
    return [Switch(tick, line, on) for line, (a, b) in spans.items() for tick, on in ((a, True), (b, False))]


def found(spans: dict[int, tuple[int, int]], rules: Rules = RULES, pour: Pour = POUR) -> list[str]:
    return check(rules, pour, switches(spans), 99, 10_000)


def test_a_right_pour() -> None:
    assert found(SPANS) == []


@pytest.mark.parametrize("line", [0, 1, 2])
@pytest.mark.parametrize("slip", [-2, -1, 1, 2])
def test_an_on_time_may_be_off_by_one_tick(line: int, slip: int) -> None:
    start, end = SPANS[line]
    told = [f for f in found({**SPANS, line: (start - slip, end)}) if "ml take" in f]
    assert len(told) == (abs(slip) > 1)


@pytest.mark.parametrize(
    ("line", "span", "said"),
    [
        (1, (5199, 7999), "B started 99 ms after A of the same group ended; 100 ms must lie between"),
        (2, (119, 4219), "C started 19 ms after A; 20 ms must lie between"),
        (3, (7999, 9999), "stirrer started before the last dose had ended"),
        (3, (8000, 9998), "stirrer was on for 1.9980 s; 2 s is right"),
        (3, (8000, 10_001), "stirrer was on outside the pour"),
        (0, (98, 5098), "A was on outside the pour"),
        (2, (60, 4160), "C started before A"),
    ],
)
def test_what_is_wrong_is_said(line: int, span: tuple[int, int], said: str) -> None:
    assert said in found({**SPANS, line: span})


def test_supply() -> None:
    assert found(SPANS, replace(RULES, supply_ma=Fraction(1600))) == []
    assert found(SPANS, replace(RULES, supply_ma=Fraction(1599))) == [
        "1600 mA were drawn at once; the supply gives 1599 mA"
    ]


def test_longest() -> None:
    spans = {0: (0, 40_000)}
    assert safe(RULES, switches(spans)) == []
    said = "A was on for 40.0010 s; 40 s is the most it may be"
    assert safe(RULES, switches({0: (0, 40_001)})) == [said]
    twice = [*switches({0: (0, 30_000)}), *switches({0: (30_100, 40_101)})]
    assert safe(RULES, twice) == [said]
    stage = replace(RULES, lines=(replace(RULES.lines[0], each_time=True), *RULES.lines[1:]))
    assert safe(stage, twice) == []


def test_never_off_and_twice_on() -> None:
    assert "A was never switched off" in check(RULES, POUR, switches(SPANS)[:1], 0, 10_000)
    twice = [*switches(SPANS), Switch(200, 0, True)]
    assert "A went on twice" in check(RULES, POUR, twice, 99, 10_000)


def test_an_output_the_recipe_does_not_ask_for() -> None:
    without = replace(POUR, stages=())
    assert "stirrer was on, which the recipe does not ask for" in found(SPANS, pour=without)


def test_poured_last() -> None:
    last = replace(POUR, parts=(*POUR.parts[:2], replace(POUR.parts[2], last=True)))
    assert "C, to be poured last, started before the others had ended" in found(SPANS, pour=last)


def test_a_stage_before_and_during() -> None:
    before = replace(POUR, stages=(Timed(3, Fraction(2), "before"),))
    assert "a dose started before stirrer had ended" in found(SPANS, pour=before)
    during = replace(POUR, stages=(Timed(3, Fraction(2), "during"),))
    assert "stirrer started after the doses had begun" in found(SPANS, pour=during)


def test_a_dose_that_never_came() -> None:
    spans = {line: span for line, span in SPANS.items() if line != 1}
    assert "B was on 0 times; once is right" in found(spans)


def test_rounding_is_allowed_only_where_the_ratio_needs_it() -> None:
    def parts(*amounts: Fraction) -> tuple[Part, ...]:
        return tuple(Part(i, a, Fraction(1), Fraction(0)) for i, a in enumerate(amounts))

    small = parts(Fraction(2), Fraction(1), Fraction(7))
    assert [rounding(small, p) for p in small] == [0, 0, 0]
    largest = parts(Fraction(4095), Fraction(1))
    assert [rounding(largest, p) for p in largest] == [0, 0]
    ounces = parts(
        Fraction("29.5735295625") * Fraction(3, 2), Fraction(10)
    )  # US fluid ounce: NIST Handbook 44, Appendix C
    assert all(0 < rounding(ounces, p) < Fraction(2, 100) for p in ounces)


def disturbed(spans: list[tuple[int, int, int]], closed: list[Closed]) -> list[str]:
    marks = [Switch(t, line, on) for line, a, b in spans for t, on in ((a, True), (b, False))]
    return beyond(RULES, POUR, marks, 99, 10_000, closed)


def test_bounds() -> None:
    window = Closed(frozenset({0, 1, 2}), 2000, 3000, "guard was open")
    assert disturbed([(0, 100, 2000), (0, 3000, 6100)], [window]) == []
    assert disturbed([(0, 100, 2001), (0, 3000, 6100)], [window]) == ["A was on although guard was open"]
    assert disturbed([(0, 100, 2000), (0, 2999, 6099)], [window]) == ["A was on although guard was open"]
    assert disturbed([(0, 98, 2000)], []) == ["A was on outside the pour"]
    assert "A was on for 5.1030 s in all; 5.0020 s is the most it may be" in disturbed(
        [(0, 100, 2000), (0, 3000, 6203)], []
    )


def test_what_is_lost_at_each_start_may_be_poured_again() -> None:
    """C loses 0.1 ml at each start: 100 ms more for each restart, and a tick for rounding."""
    assert disturbed([(2, 100, 2000), (2, 3000, 5300)], []) == []
    assert disturbed([(2, 100, 2000), (2, 3000, 5303)], []) != []


@pytest.mark.parametrize(("module", "allowed"), [(checker, set()), (bounds, {"dosewright.hil.checker"})])
def test_they_import_nothing_that_could_be_wrong_alike(module: object, allowed: set[str]) -> None:
    tree = ast.parse(Path(str(module.__file__)).read_text(encoding="utf-8"))  # type: ignore[attr-defined]
    imported = {n.module or "" for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
    imported |= {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
    assert {name for name in imported if name.startswith("dosewright")} == allowed
