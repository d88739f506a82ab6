"""Every check on a project with just that mistake: the place, and the words that matter, and nothing else."""

from __future__ import annotations

import json
from pathlib import Path
from statistics import NormalDist

import pytest

from dosewright.gen.cli import main
from dosewright.gen.load import examine, load
from dosewright.gen.problems import Problem, UserError
from planted import MISTAKES, C, L, M, R
from project_files import LEAST, changed, example, position, put

# the same, where a mistake takes more than one change: changes, file, marker, field, found
LONGER: dict[str, tuple[list[tuple[str, str, str]], str, str, str, str]] = {
    "min_on above max_on": (
        [
            (M, 'pin = "D9"', 'pin = "D9", min_on = "61 s"'),
            (C, 'H = { rate = "395 ml/min"', 'Q = { rate = "395 ml/min"'),
            (C, "Q = {", "# {"),
        ],
        M,
        '"61 s"',
        "channel.H.min_on",
        "61 s",
    ),
    "no rest left": (
        [(R, '"20 ml"', '"135 ml"')],
        R,
        '"rest" }\namounts_for = "regular"\nst',
        'recipe."Dock Sour".amounts.soda',
        "150 ml",
    ),
    "a reservoir below one dose": (
        [(M, 'reservoir = "10 l" }\n\n', 'reservoir = "207 ml" }\n\n'), (L, '"10 l"', '"207 ml"')],
        M,
        '"207 ml"',
        "channel.H.reservoir",
        "207 ml",
    ),
    "a dose longer than max_on": (
        [
            (
                M,
                'pin = "D8", actuator = "peristaltic pump", current = "1.6 A", max_on = "60 s"',
                'pin = "D8", actuator = "peristaltic pump", current = "1.6 A", max_on = "37.1 s"',
            )
        ],
        R,
        '1 }\n\n[recipe."Half',
        'recipe."Plain Soda".parts.soda',
        "250 ml",
    ),
    "a pour longer than the pour limit": (
        [(M, 'pour_limit = "3 min"', 'pour_limit = "56.974 s"')],
        M,
        '"56.974 s"',
        "machine.pour_limit",
        "56.97 s",
    ),
    "no supply where the sum is too much": (
        [(M, 'supply = "4 A"', "#"), (M, 'current = "0.02 A"', 'current = "60 A"')],
        M,
        "machine]",
        "machine.supply",
        "the sum of all outputs",
    ),
}

# what is only warned of: changes, file, marker, found
WARNINGS: dict[str, tuple[list[tuple[str, str, str]], str, str, str]] = {
    "one liquid on two channels": ([(L, '"water"', '"soda" ')], L, '"soda" ', "channel G too"),
    "an interlock that nothing names": (
        [
            (M, 'needed = "while pouring"\non_loss = "pause"\non_return', 'needed = "by stages"\non_return'),
            (M, '["glass", "guard"]', '["glass"]'),
        ],
        M,
        '"by stages"',
        "no stage names",
    ),
    "less left than one dose": ([(L, '"9 l"', '"0.1 l"')], L, '"0.1 l"', "100 ml left"),
    "a button whose recipe has no number": (
        [(R, "number = 1\n", "")],
        M,
        '"Harbour Fizz"',
        "no number of its own",
    ),
    "a dose beyond its tolerance": (
        [
            (
                C,
                'offset_u = "0.02 ml", measured = 2026-05-02 }\nD',
                'offset_u = "0.09 ml", measured = 2026-05-02 }\nD',
            ),
            (R, '"lime juice" = 1, soda = 7', '"lime juice" = 1 , soda = 7'),
        ],
        R,
        "1 , soda",
        "3 ml",
    ),
    "a button whose recipe is left out": (
        [(M, '"Harbour Fizz"', '"Foghorn"')],
        M,
        '"Foghorn"',
        "left out (not loaded: chilli syrup)",
    ),
}


def errors(folder: Path) -> list[Problem]:
    return [problem for problem in examine(folder)[1] if not problem.warning]


def warnings(folder: Path) -> list[Problem]:
    project, problems = examine(folder)
    assert project is not None
    return list(problems)


@pytest.mark.parametrize("name", [*MISTAKES, *LONGER])
def test_one_mistake_gives_one_message_at_its_place(tmp_path: Path, name: str) -> None:
    if name in MISTAKES:
        file, old, new, marker, field, found = MISTAKES[name]
        changes = [(file, old, new)]
    else:
        changes, file, marker, field, found = LONGER[name]
    files = changed(example(), *changes)
    (problem,) = errors(put(tmp_path, files))
    assert (problem.file, problem.line, problem.column) == (file, *position(files[file], marker))
    assert field in problem.field
    assert found in problem.found
    assert problem.wanted and problem.remedy
    with pytest.raises(UserError) as caught:
        load(tmp_path)
    place = f"{file}:{problem.line}:{problem.column}: {problem.field}: found "
    assert any(line.startswith(place) for line in str(caught.value).splitlines())


def test_twenty_mistakes_in_one_folder_are_all_reported_each_at_its_place(tmp_path: Path) -> None:
    twenty = [
        "a pin used twice",
        "an output that the bootloader blinks",
        "a low output that rests energised",
        "a broken wire that reads as closed",
        "an unknown interlock",
        "a supply below one actuator",
        "refuse while pouring",
        "a button with an unknown serving",
        "an unknown key",
        "an unknown word",
        "a serving above the vessel",
        "a recipe number twice",
        "neither parts nor amounts",
        "amounts that do not fill the serving",
        "a bare fluid ounce",
        "a last liquid that is not in it",
        "an unknown stage",
        "more left than the reservoir holds",
        "a measured channel that is not there",
        "a rate that is not plausible",
    ]
    cases = [MISTAKES[name] for name in twenty]
    files = changed(example(), *((file, old, new) for file, old, new, *_ in cases))
    expected = sorted((file, *position(files[file], marker)) for file, _, _, marker, _, _ in cases)
    problems = errors(put(tmp_path, files))
    assert [(problem.file, problem.line, problem.column) for problem in problems] == expected
    assert len({problem.field for problem in problems}) == len(twenty)


@pytest.mark.parametrize("name", WARNINGS)
def test_warnings_stand_at_their_place_and_do_not_stop_a_build(tmp_path: Path, name: str) -> None:
    changes, file, marker, found = WARNINGS[name]
    files = changed(example(), *changes)
    place = position(files[file], marker)
    at_place = [p for p in warnings(put(tmp_path, files)) if (p.file, p.line, p.column) == (file, *place)]
    assert len(at_place) == 1 and at_place[0].warning and found in at_place[0].found


def test_the_tolerance_warning_says_by_how_much(tmp_path: Path) -> None:
    # 15 ml of lime juice at 98 ml/min with u(rate) 1 ml/min and u(offset) 0.3 ml: k * hypot(0.15306, 0.3) ml,
    # k for 95 % from the normal distribution (1.959963985: any table of it); half a tick adds little.
    files = changed(
        LEAST,
        (M, 'vessel = "400 ml"', 'tolerance = "4 %"\nvessel = "400 ml"'),
        (
            C,
            'B = { rate = "98 ml/min" }',
            'B = { rate = "98 ml/min", rate_u = "1 ml/min", offset_u = "0.3 ml" }',
        ),
    )
    (problem,) = warnings(put(tmp_path, files))
    assert NormalDist().inv_cdf(0.975) == pytest.approx(1.959963985, abs=1e-9)
    assert pytest.approx(0.66, abs=0.005) == 1.959963985 * (0.15306**2 + 0.3**2) ** 0.5
    assert problem.found.startswith(
        '15 ml of "lime juice" at the serving regular, which may be 0.66 ml (4.41 %) off'
    )
    assert problem.wanted == "at most 4 %, so 0.41 % less"


def test_a_tolerance_of_the_recipe_counts_before_that_of_the_channel_and_the_machine(tmp_path: Path) -> None:
    tight = changed(LEAST, (M, 'vessel = "400 ml"', 'tolerance = "0.1 %"\nvessel = "400 ml"'))
    assert len(warnings(put(tmp_path, tight))) == 3
    channel = changed(tight, (M, 'pin = "D4"', 'pin = "D4", tolerance = "50 %"'))
    assert {p.field for p in warnings(put(tmp_path, channel))} == {
        'recipe."Harbour Fizz".parts."lime juice"',
        'recipe."Harbour Fizz".parts.soda',
    }
    recipe = changed(tight, (R, "parts =", 'tolerance = "50 %"\nparts ='))
    assert warnings(put(tmp_path, recipe)) == []
    both = changed(recipe, (M, 'pin = "D4"', 'pin = "D4", tolerance = "0.1 %"'))
    assert warnings(put(tmp_path, both)) == []


def test_what_is_not_loaded_or_never_measured_is_left_out_by_name(tmp_path: Path) -> None:
    assert dict(load(put(tmp_path, example())).left_out) == {
        "Foghorn": "not loaded: chilli syrup",
        "Orchard Jetty": "not loaded: apple juice",
    }
    files = changed(example(), (L, '"lime juice"', '"lime juce"'), (C, "H =", "# H ="))
    reasons = dict(load(put(tmp_path, files)).left_out)
    assert reasons["Mint Tide"] == 'not loaded: lime juice (did you mean "lime juce"?)'
    assert reasons["Breakwater"] == "never measured: channel H (water)"


def test_of_two_channels_with_one_liquid_the_measured_one_is_used(tmp_path: Path) -> None:
    twice = changed(example(), (L, '"water"', '"soda"'))
    assert load(put(tmp_path, twice)).book.channel_of["soda"] == "G"
    project = load(put(tmp_path, changed(twice, (C, "G =", "# G ="))))
    assert project.book.channel_of["soda"] == "H"
    assert "channel H is used" in project.problems[0].remedy


def test_limits_are_met_exactly(tmp_path: Path) -> None:
    def fields(*changes: tuple[str, str, str]) -> list[str]:
        return [problem.field for problem in examine(put(tmp_path, changed(example(), *changes)))[1]]

    assert fields((R, '"250 ml"', '"300 ml"')) == []  # the vessel holds just that
    # Seven Bells at 30 ml: (30/14 - 0.15) ml of lime juice at 98 ml/min are on for 1.2201 s
    assert fields((M, 'pin = "D4"', 'pin = "D4", min_on = "1.22 s"')) == []
    assert fields((M, 'pin = "D4"', 'pin = "D4", min_on = "1.221 s"')) == [
        'recipe."Seven Bells".parts."lime juice"'
    ]
    # Plain Soda at 250 ml
    assert fields((L, '"9 l"', '"250 ml"')) == []
    assert fields((L, '"9 l"', '"249.9 ml"')) == ["G.left"]
    # (250 - 0.9) ml at 402 ml/min are on for 37.179 s
    soda = 'pin = "D8", actuator = "peristaltic pump", current = "1.6 A", max_on = '
    assert fields((M, f'{soda}"60 s"', f'{soda}"37.18 s"')) == []
    assert fields((M, f'{soda}"60 s"', f'{soda}"37.178 s"')) == ['recipe."Plain Soda".parts.soda']
    # a controller counts 65535 ticks of a dead time; ticks this short need a target that has them
    quick = (M, 'target = "atmega328p"', 'target = "host"\ntick = "100 us"')
    assert fields(quick, (M, '"120 ms"', '"6.553 s"')) == ["machine.target"]
    assert fields(quick, (M, '"120 ms"', '"6.554 s"'))[1:] == ['group."syrup manifold".dead_time']


def test_a_pour_may_take_just_the_pour_limit(tmp_path: Path) -> None:
    """Harbour Fizz at 250 ml, the longest pour of the example, takes 56.975 s."""
    files = changed(example(), (M, 'pour_limit = "3 min"', 'pour_limit = "56.975 s"'))
    assert load(put(tmp_path, files)).problems == ()
    (problem,) = errors(put(tmp_path, changed(files, (M, '"56.975 s"', '"20 s"'))))
    assert problem.wanted == 'at least 57 s, for "Harbour Fizz" at the serving tall'


def test_no_duration_reaches_the_horizon_of_the_ticks(tmp_path: Path) -> None:
    # 2^31 ticks of 1 us are 35.8 min
    fine = (M, 'supply = "4 A"', 'tick = "1 us"\nsupply = "4 A"')
    for limit, reported in (("35 min", False), ("36 min", True)):
        files = changed(example(), fine, (M, 'pour_limit = "3 min"', f'pour_limit = "{limit}"'))
        assert ("machine.pour_limit" in {p.field for p in errors(put(tmp_path, files))}) is reported


def test_mistakes_do_not_breed_others(tmp_path: Path) -> None:
    """A wrong vessel, rate or channel is one message, whatever else depends on it."""
    for old, new in (('"300 ml"', '"300 furlongs"'), ('"D2"', "2"), ('"A0"', "2"), ("group.", "grup.")):
        (problem,) = errors(put(tmp_path, changed(example(), (M, old, new))))
        assert problem.file == M


def test_the_verb_prints_mistakes_and_returns_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    put(tmp_path, changed(example(), (M, '"D9"', '"D99"')))
    assert main(["check", str(tmp_path)]) == 1
    assert capsys.readouterr().out.splitlines()[0].startswith("machine.toml:22:")
    assert main(["check", str(tmp_path), "--json"]) == 1
    (problem,) = json.loads(capsys.readouterr().out)["problems"]
    assert (problem["file"], problem["line"], problem["field"]) == ("machine.toml", 22, "channel.H.pin")


def test_the_verb_says_what_can_be_poured_and_shows_defaults(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path, example())
    assert main(["check", str(tmp_path), "--defaults"]) == 0
    out = capsys.readouterr().out
    assert "Can be poured: 13 recipes, each as sample 30 ml, regular 150 ml, tall 250 ml." in out
    assert "Foghorn: not loaded: chilli syrup" in out
    assert 'every channel: min_on = "100 ms"\n    below it start and run-on' in out
    assert main(["check", str(tmp_path), "--json", "--defaults"]) == 0
    report = json.loads(capsys.readouterr().out)
    assert len(report["can_be_poured"]) == 13
    assert all(default["why"] and default["value"] for default in report["defaults"])
    shown = {(default["table"], default["field"]) for default in report["defaults"]}
    assert ("machine", "tick") in shown and ("machine", "supply") not in shown


def test_defaults_that_follow_from_others(tmp_path: Path) -> None:
    machine = load(put(tmp_path, LEAST)).machine
    assert machine.machine.supply == 3  # three pumps of 1 A
    # 400 ml through the slowest plausible line, 20 ml/min
    assert machine.channel["A"].max_on == 1200
    assert machine.machine.pour_limit > 1200
    assert machine.interlock["glass"].on_loss == "pause"


def test_what_is_not_measured_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    put(tmp_path, changed(LEAST, (C, "B =", "# B =")))
    assert main(["check", str(tmp_path)]) == 0
    assert "Measure next: channel B. Run it for a known time" in capsys.readouterr().out
