"""Selectors: what check says of them, how they are compiled, and what the twin makes of their contacts."""

from __future__ import annotations

import tomllib
from copy import deepcopy
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from dosewright.gen.codes import Code
from dosewright.gen.compiled import (
    SELECTED_RECIPE,
    SELECTED_SERVING,
    Button,
    CompiledRecipe,
    Dose,
    RecipeTable,
)
from dosewright.gen.load import examine, load
from dosewright.gen.lower import lower
from dosewright.gen.problems import Problem
from dosewright.gen.schema import schema_of
from dosewright.gen.twin import run
from dosewright.gen.twin_log import Event, Input
from project_files import FILES, changed, position, put
from small_machine import PIN, Bench, doses

FERRY = Path(__file__).parents[2] / "examples" / "night-ferry"
M, R = "machine.toml", "recipes.toml"
Changes = list[tuple[str, str, str]]

MENU = 'pins = ["A0", "A1", "A2", "A3"]'
SIZE = 'pins = ["A4", "A5"]'
START = 'pin = "A12"\ndoes = "pour"\n'

# changes, where the problem is, its field, what was found
MISTAKES: dict[str, tuple[Changes, str, str, str]] = {
    "a contact on a pin that is taken": (
        [(M, '"A3"', '"A8"')],
        '"A8"]',
        "selector.menu.pins[3]",
        "interlock mug has already",
    ),
    "a contact twice": (
        [(M, '"A5"', '"A4" ')],
        '"A4" ',
        "selector.size.pins[1]",
        "selector size has already",
    ),
    "a contact on the link": ([(M, '"A3"', '"D0"')], '"D0"', "selector.menu.pins[3]", "link"),
    "a contact on a pin that is not there": ([(M, '"A3"', '"A33"')], '"A33"', "selector.menu.pins[3]", "A33"),
    "no contacts": ([(M, SIZE, "pins = []"), (M, "positions = 3", "")], "[]", "selector.size.pins", "none"),
    "an unknown word": ([(M, '"serving"', '"servings"')], '"servings"', "selector.size.sets", "servings"),
    "the same twice": (
        [
            (M, '"serving"', '"recipe"'),
            (M, START, f'{START}serving = "mug"\n'),
            (M, '"Deck Watch Tea"\n', '"Deck Watch Tea"\nserving = "cup"\n'),
        ],
        '"recipe"\npositions = 3',
        "selector.size.sets",
        "a second selector of the recipe, after menu",
    ),
    "more contacts than servings can need": (
        [(M, SIZE, 'pins = ["A4", "A5", "A7", "D2", "D3"]'), (M, "positions = 3\n", "")],
        '["A4"',
        "selector.size.pins",
        "5 contacts",
    ),
    "more positions than its contacts can say": (
        [(M, "= 14", "= 17")],
        "17",
        "selector.menu.positions",
        "17 positions",
    ),
    "one position": ([(M, "= 14", "= 1 ")], "1  ", "selector.menu.positions", "1"),
    "a link limit that a repeat outlasts": (
        [(M, '"5 s"', '"1.9 s"')],
        '"1.9 s"',
        "machine.link_limit",
        "1.9 s",
    ),
}

WARNINGS: dict[str, tuple[Changes, str, str]] = {
    "numbers that are no recipe": (
        [(M, "positions = 14", "")],
        '["A0"',
        "a switch that can say 14 to 15, which is no recipe",
    ),
    "gaps in the numbers": (
        [(R, "number = 3", "number = 30"), (R, "number = 6", "number = 60")],
        "14                # at 0",
        "a switch that can say 3 and 6, which is no recipe",
    ),
    "a serving that is not there": ([(M, "positions = 3", "")], '["A4"', "can say 3, which is no serving"),
    "recipes out of reach": (
        [(M, "= 14", "= 12")],
        "12                # at 0",
        'cannot say "All Hands" (12), "Cocoa Watch" (13)',
    ),
    "a serving out of reach": (
        [(M, SIZE, 'pins = ["A4"]'), (M, "positions = 3", "")],
        '["A4"]',
        'cannot say "tankard" (2)',
    ),
    "nobody follows it": (
        [(M, START, f"{START}recipe = 1\n")],
        "menu]",
        "a selector of the recipe that no button follows",
    ),
    "broken wires that say the most": (
        [(M, 'sets = "recipe"', 'sets = "recipe"\npressed_when = "high"')],
        '"high"',
        "contacts whose broken wires read as pressed",
    ),
}


def ferry() -> dict[str, str]:
    return {name: (FERRY / name).read_text(encoding="utf-8") for name in FILES}


def problems(folder: Path, changes: Changes) -> tuple[dict[str, str], list[Problem]]:
    files = changed(ferry(), *changes)
    return files, list(examine(put(folder, files))[1])


@pytest.mark.parametrize("name", MISTAKES)
def test_one_mistake_gives_one_message_at_its_place(tmp_path: Path, name: str) -> None:
    changes, marker, field, found = MISTAKES[name]
    files, told = problems(tmp_path, changes)
    (problem,) = [problem for problem in told if not problem.warning]
    assert (problem.file, problem.line, problem.column) == (M, *position(files[M], marker))
    assert problem.field == field and found in problem.found and problem.remedy


@pytest.mark.parametrize("name", WARNINGS)
def test_what_nobody_can_pour_is_warned_of(tmp_path: Path, name: str) -> None:
    changes, marker, found = WARNINGS[name]
    files, told = problems(tmp_path, changes)
    assert all(problem.warning for problem in told)
    (problem,) = [problem for problem in told if found in problem.found]
    assert (problem.line, problem.column) == position(files[M], marker)


def test_a_button_leaves_out_only_what_a_selector_says(tmp_path: Path) -> None:
    """Without the selectors each button that pours lacks what they said, and is told the two remedies."""
    files = ferry()
    start, rest = files[M].index("[selector.menu]"), files[M].index('[button."house tea"]')
    files[M] = files[M][:start] + files[M][rest:]
    told = examine(put(tmp_path, files))[1]
    assert [(problem.field, problem.found) for problem in told] == [
        ("button.start", "no recipe"),
        ("button.start", "no serving"),
        ('button."house tea"', "no serving"),
    ]
    assert told[0].remedy == 'add recipe = ..., or a table [selector.NAME] with sets = "recipe"'


def test_buttons_and_contacts_have_sixteen_places_in_all(tmp_path: Path) -> None:
    pins = ", ".join(f'"D{number}"' for number in range(2, 13))
    changes = [(M, MENU, f"pins = [{pins}]"), (M, "= 14", "= 2047")]
    assert not [p for p in problems(tmp_path, changes)[1] if not p.warning]  # 3 buttons, 11 and 2 contacts
    one_more = [(M, MENU, f'pins = [{pins}, "D14"]'), (M, "= 14", "= 2047")]
    (problem,) = [p for p in problems(tmp_path, one_more)[1] if not p.warning]
    assert (problem.field, problem.found) == ("selector", "3 buttons and 14 contacts")


def test_contacts_stand_behind_the_buttons_and_count_in_powers_of_two(tmp_path: Path) -> None:
    machine = lower(load(put(tmp_path, ferry()))).machine
    assert [button.name for button in machine.buttons] == [
        "start", "house tea", "carry on", "menu 1", "menu 2", "menu 4", "menu 8", "size 1", "size 2",
    ]  # fmt: skip
    start, tea, carry_on, *contacts = machine.buttons
    assert (start.does, start.recipe, start.serving) == ("pour", SELECTED_RECIPE, SELECTED_SERVING)
    assert (tea.does, tea.recipe, tea.serving) == ("pour", 1, SELECTED_SERVING)
    assert (carry_on.does, carry_on.recipe, carry_on.serving) == ("go on", 0, 0)
    assert {contact.does for contact in contacts} == {"select"}
    assert [(contact.recipe, contact.serving) for contact in contacts] == [
        (1, 0), (2, 0), (4, 0), (8, 0), (0, 1), (0, 2),
    ]  # fmt: skip
    assert [contact.pin.name for contact in contacts] == ["A0", "A1", "A2", "A3", "A4", "A5"]
    assert not any(contact.pin.active_high for contact in contacts) and contacts[0].debounce == 20
    assert machine.link_limit == 5000


def test_the_schema_is_true_of_them() -> None:
    """By the validator of the jsonschema library."""
    validator = Draft202012Validator(schema_of("machine"))
    machine = tomllib.loads(ferry()[M])
    assert list(validator.iter_errors(machine)) == []
    for table, key, value in (
        ("machine", "link_limit", 1.9),
        ("menu", "pins", []),
        ("menu", "sets", "strength"),
        ("size", "positions", 1),
    ):
        wrong = deepcopy(machine)
        (wrong["machine"] if table == "machine" else wrong["selector"][table])[key] = value
        (error,) = validator.iter_errors(wrong)
        assert key in error.absolute_path


def test_without_a_link_limit_there_is_none(tmp_path: Path) -> None:
    line = next(line for line in ferry()[M].splitlines() if line.startswith("link_limit"))
    machine = lower(load(put(tmp_path, changed(ferry(), (M, line, ""))))).machine
    assert machine.link_limit == 0


# The twin

# Recipe n has the channels whose bits are set in n; serving s makes each of its doses s + 1 times as long.
CHANNELS = 4
RECIPES = tuple(
    CompiledRecipe(number, "", tuple(Dose(c, 1) for c in range(CHANNELS) if number >> c & 1))
    for number in range(1, 1 << CHANNELS)
)


def poured(buttons: tuple[Button, ...], log: list[Event]) -> tuple[int, int] | None:
    """The recipe and the serving that the twin poured; None where it poured nothing."""
    bench = Bench(doses(*[1] * CHANNELS))
    table = RecipeTable(tuple(32 * 12 * (index + 1) for index in range(3)), RECIPES)
    outcome = run(replace(bench.machine, buttons=buttons), table, bench.calibration, log)
    servings = [entry.argument for entry in outcome.trace if entry.code == Code.POUR]
    if not servings:
        return None
    (serving,) = servings
    return sum(1 << step.output for step in outcome.booked), serving


def held(raw: list[bool], samples: int) -> list[bool]:
    """The debounced level at each tick, by counting samples."""
    level, count, levels = False, 0.0, []
    for now in raw:
        if now != level:
            count += 1
        else:  # opening adds up: a closed sample makes up for half an open one
            count = max(count - 0.5, 0) if level else 0
        if count >= samples:
            level, count = now, 0
        levels.append(level)
    return levels


_CONTACTS = st.lists(
    st.tuples(
        st.sampled_from([0, 1, 2, 3, 4, 8, 11, 65535, 65530]),
        st.sampled_from([0, 0, 1, 1, 2, 255, 254]),
        st.integers(1, 4),
        st.lists(st.booleans(), min_size=30, max_size=30),
    ),
    max_size=5,
)


@example(contacts=[(65535, 255, 1, [True] * 30), (2, 1, 1, [True] * 30)], press=5, bounce=1)
@example(contacts=[(1, 0, 3, [True] * 7 + [False] * 2 + [True] + [False] * 20)], press=10, bounce=3)
@given(contacts=_CONTACTS, press=st.integers(1, 24), bounce=st.integers(1, 4))
def test_the_sum_of_the_pressed_contacts_is_poured(
    contacts: list[tuple[int, int, int, list[bool]]], press: int, bounce: int
) -> None:
    """Against sums over contacts debounced sample by sample, at the tick in which the button is."""
    start = Button("", PIN, bounce, "pour", SELECTED_RECIPE, SELECTED_SERVING)
    selecting = [Button("", PIN, samples, "select", a, b) for a, b, samples, _ in contacts]
    log: list[Event] = [Input(press, 0, True)]
    for index, (_, _, _, raw) in enumerate(contacts, 1):
        log += [Input(tick, index, level) for tick, level in enumerate(raw, 1)]
    at = press + bounce - 1
    pressed = [held(raw, samples)[at - 1] for _, _, samples, raw in contacts]
    number = sum(a for (a, _, _, _), on in zip(contacts, pressed, strict=True) if on) % 65536
    serving = sum(b for (_, b, _, _), on in zip(contacts, pressed, strict=True) if on) % 256
    there = 1 <= number < 1 << CHANNELS and serving < 3
    assert poured((start, *selecting), log) == ((number, serving) if there else None)


def test_a_contact_asks_for_nothing_and_a_button_of_its_own_follows_none() -> None:
    contact = Button("", PIN, 1, "select", 3, 1)
    own = Button("", PIN, 1, "pour", 5, 2)
    assert poured((own, contact), [Input(3, 1, True)]) is None
    assert poured((own, contact), [Input(3, 1, True), Input(9, 0, True)]) == (5, 2)


def test_a_contact_pressed_in_the_very_tick_of_the_button_counts() -> None:
    start = Button("", PIN, 1, "pour", SELECTED_RECIPE, SELECTED_SERVING)
    contact = Button("", PIN, 1, "select", 6, 1)
    assert poured((start, contact), [Input(3, 0, True), Input(3, 1, True)]) == (6, 1)
    assert poured((start, contact), [Input(3, 0, True), Input(4, 1, True)]) is None
