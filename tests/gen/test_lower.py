"""Integers made from a project: order, barriers, numbers, exact proportions, pins."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dosewright.gen.compiled import Dose, Pin, Stage
from dosewright.gen.load import load
from dosewright.gen.lower import Compiled, lower
from project_files import LEAST, changed, example, put

M, R, L, C = "machine.toml", "recipes.toml", "loaded.toml", "calibration.toml"


@pytest.fixture(scope="module")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> Compiled:
    return lower(load(put(tmp_path_factory.mktemp("cart"), example())))


def steps(compiled: Compiled, name: str) -> list[tuple[str, int, bool]]:
    """Output, weight or ticks, and the mark, of each step of a recipe."""
    (recipe,) = [item for item in compiled.recipes.recipes if item.name == name]
    return [
        (compiled.machine.outputs[s.output].name, s.weight if isinstance(s, Dose) else s.ticks, s.after_all)
        for s in recipe.steps
    ]


def test_the_largest_is_poured_first_and_ties_go_by_the_machine(compiled: Compiled) -> None:
    # the rule of the trade: common practice, no source
    assert steps(compiled, "Lime Rickey Light") == [("G", 14, False), ("C", 3, False), ("E", 1, False)]
    assert [name for name, _, _ in steps(compiled, "Breakwater")] == ["H", "A", "B", "D"]


def test_as_written_is_as_written_with_its_stages_behind(compiled: Compiled) -> None:
    assert steps(compiled, "Rope Walk") == [
        ("E", 1, False), ("A", 1, False), ("G", 6, False), ("settle", 1500, True), ("ready lamp", 4000, True),
    ]  # fmt: skip


def test_a_last_part_waits_for_all(compiled: Compiled) -> None:
    assert steps(compiled, "Harbour Fizz") == [("A", 2, False), ("C", 1, False), ("G", 7, True)]


def test_a_stage_before_is_a_barrier_and_one_during_is_none(compiled: Compiled) -> None:
    assert [mark for _, _, mark in steps(compiled, "Berry Mint Cooler")] == [False, True, False, False]
    assert steps(compiled, "Berry Buoy")[0] == ("stirrer", 4000, False)
    assert not any(mark for _, _, mark in steps(compiled, "Berry Buoy"))


def test_all_kinds_of_stages_together(tmp_path: Path) -> None:
    stages = ", ".join(
        f'{{ stage = "{stage}", when = "{when}", time = {seconds} }}'
        for stage, when, seconds in [
            ("settle", "after", 1),
            ("settle", "before", 2),
            ("stirrer", "during", 3),
            ("stirrer", "before", 4),
        ]
    )
    files = changed(example(), (R, "soda = 9 }\nlast", f"soda = 9 }}\nstages = [{stages}]\nlast"))
    assert steps(lower(load(put(tmp_path, files))), "Mint Tide") == [
        ("settle", 2000, False), ("stirrer", 4000, True), ("stirrer", 3000, True),
        ("C", 2, False), ("F", 2, False), ("G", 9, True), ("settle", 1000, True),
    ]  # fmt: skip


def test_amounts_scale_and_the_rest_fills_the_serving(compiled: Compiled) -> None:
    # 20 + 15 ml of 150 ml: the rest is 115 ml
    assert compiled.asked[2] == (Fraction(115, 150), Fraction(20, 150), Fraction(15, 150))
    assert steps(compiled, "Dock Sour")[:3] == [("G", 23, False), ("C", 4, False), ("A", 3, False)]
    half_ounce = Fraction("29.5735295625") / 2  # NIST Handbook 44, Appendix C
    assert compiled.asked[7] == (1 - half_ounce / 150, half_ounce / 150)


def test_a_sample_has_the_proportions_of_a_whole_pour(tmp_path: Path) -> None:
    # A one-ounce sample has the same proportions as a five-ounce pour (common practice, no source).
    def recipes(amounts: str) -> str:
        servings = '[serving]\nsample = "1 US fl oz"\nregular = "5 US fl oz"\n'
        return f"{servings}[recipe.R]\namounts = {{ {amounts} }}\n"

    small = recipes('soda = "0.7 US fl oz", "lime juice" = "0.3 US fl oz"') + 'amounts_for = "sample"\n'
    large = recipes('soda = "3.5 US fl oz", "lime juice" = "1.5 US fl oz"') + 'amounts_for = "regular"\n'
    made = [lower(load(put(tmp_path / str(i), {**LEAST, R: text}))) for i, text in enumerate((small, large))]
    assert made[0].recipes == made[1].recipes
    assert made[0].asked == made[1].asked == {1: (Fraction(7, 10), Fraction(3, 10))}


def test_amounts_without_a_serving_are_proportions(tmp_path: Path) -> None:
    text = '[serving]\na = 30\n[recipe.R]\namounts = { soda = "2 cl", "lime juice" = "10 ml" }\n'
    assert lower(load(put(tmp_path, {**LEAST, R: text}))).asked == {1: (Fraction(2, 3), Fraction(1, 3))}


def test_numbers_fill_the_gaps_in_the_order_of_the_file(tmp_path: Path) -> None:
    names = {"a": None, "b": 2, "c": None, "d": 1, "e": None}
    text = "[serving]\nx = 30\n" + "".join(
        f"[recipe.{name}]\nparts = {{ soda = 1 }}\n" + (f"number = {number}\n" if number else "")
        for name, number in names.items()
    )
    recipes = lower(load(put(tmp_path, {**LEAST, R: text}))).recipes.recipes
    assert [(recipe.number, recipe.name) for recipe in recipes] == [
        (1, "d"),
        (2, "b"),
        (3, "a"),
        (4, "c"),
        (5, "e"),
    ]


def test_the_number_of_a_button_is_that_of_the_file_even_if_the_recipe_is_left_out(tmp_path: Path) -> None:
    files = changed(example(), (M, '"Harbour Fizz"', '"Foghorn"'))
    button = lower(load(put(tmp_path, files))).machine.buttons[0]
    assert (button.does, button.recipe, button.serving) == ("pour", 14, 1)


def test_pins_polarities_masks_and_limits(compiled: Compiled) -> None:
    machine = compiled.machine
    # Arduino Uno: D4 is PD4, D8 is PB0, A0 is PC0, number 14 in sketches (board documentation, from memory)
    assert machine.outputs[2].pin == Pin("D4", 3, 4, True, 4)
    assert machine.outputs[6].pin == Pin("D8", 1, 0, True, 8)
    assert machine.interlocks[0].pin == Pin("A0", 2, 0, False, 14)
    assert [out.needs for out in machine.outputs] == [0b011] * 8 + [0b011, 0, 0]
    assert [out.pin is None for out in machine.outputs] == [False] * 9 + [True, False]
    assert (machine.supply, machine.inrush_gap, machine.vessel) == (4000, 60, 300 * 256_000)
    assert machine.outputs[0].max_on == 60_000
    assert machine.outputs[6].jog_limit == 36_000  # 300 ml at 500 ml/min
    assert (machine.groups[0].dead_time, machine.outputs[0].group, machine.outputs[2].group) == (120, 1, 0)
    assert (machine.vessel_interlock, machine.channels) == (0, 8)


def test_currents_are_rounded_up_and_the_supply_down(tmp_path: Path) -> None:
    files = changed(example(), (M, '"0.02 A"', '"0.0201 A"'), (M, '"4 A"', '"4.0009 A"'))
    machine = lower(load(put(tmp_path, files))).machine
    assert (machine.outputs[10].current, machine.supply) == (21, 4000)


def test_a_channel_never_measured_has_no_rate(tmp_path: Path) -> None:
    compiled = lower(load(put(tmp_path, changed(example(), (C, "H =", "# H =")))))
    assert compiled.calibration.channels[7].rate.m == 0
    assert len(compiled.calibration.channels) == 8
    assert "Breakwater" in dict(compiled.left_out)


_PARTS = st.dictionaries(
    st.sampled_from(["soda", "lime juice", "ginger syrup"]), st.integers(1, 60), min_size=1, max_size=3
)


@settings(max_examples=60, deadline=None)
@given(parts=_PARTS, number=st.integers(1, 65_535))
def test_any_small_ratio_is_kept_exactly(
    tmp_path_factory: pytest.TempPathFactory, parts: dict[str, int], number: int
) -> None:
    listed = ", ".join(f'"{liquid}" = {part}' for liquid, part in parts.items())
    text = f"[serving]\nx = 400\n[recipe.R]\nnumber = {number}\nparts = {{ {listed} }}\n"
    compiled = lower(load(put(tmp_path_factory.mktemp("p"), {**LEAST, R: text})))
    (recipe,) = compiled.recipes.recipes
    doses = [step for step in recipe.steps if isinstance(step, Dose)]
    assert not [step for step in recipe.steps if isinstance(step, Stage)]
    total = sum(dose.weight for dose in doses)
    assert tuple(Fraction(dose.weight, total) for dose in doses) == compiled.asked[number]
    assert sorted(compiled.asked[number]) == sorted(
        Fraction(part, sum(parts.values())) for part in parts.values()
    )
