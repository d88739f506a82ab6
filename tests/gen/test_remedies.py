"""For slips that a tired person makes, the message says what mends them."""

from __future__ import annotations

from pathlib import Path

import pytest

from dosewright.gen import scaffold
from dosewright.gen.cli import main
from dosewright.gen.load import examine, load
from project_files import LEAST, changed, put

M, R, L, C = "machine.toml", "recipes.toml", "loaded.toml", "calibration.toml"
D5, LIME, RATE = '"D5"', '{ liquid = "lime juice" }', '{ rate = "98 ml/min" }'

UNCLOSED = "look for what is missing: a comma, the bracket at the end, or the quote of a text before it"

# what is changed, and what the one message of it ends with
SLIPS = {
    "the chip's own name of a pin": ((M, D5, '"PB1"'), 'did you mean "D9"?'),
    "that name in small letters": ((M, D5, '"pc3"'), 'did you mean "A3"?'),
    "a board with a hyphen": ((M, '"atmega328p"', '"Arduino-Uno"'), 'did you mean "atmega328p"?'),
    "a board as a build tool writes it": (
        (M, '"atmega328p"', '"arduino_mega"'),
        'did you mean "atmega2560"?',
    ),
    "a board with its chip": ((M, '"atmega328p"', '"Nano (ATmega328P)"'), 'did you mean "atmega328p"?'),
    "a board that there is not": (
        (M, '"atmega328p"', '"Arduino-Due"'),
        'choose another; there is "atmega2560", "atmega328p"',
    ),
    "the number of a pin alone": ((M, D5, '"7"'), 'did you mean "D7"?'),
    "the number of an analogue pin": ((M, D5, '"17"'), 'did you mean "A3"?'),
    "no pin of this board at all": ((M, D5, '"GPIO25"'), "choose one of D0 to A7"),
    "a pin used twice": ((M, D5, '"D4"'), "choose a free pin: D2, D3, D5, D7, D8, D9, ..."),
    "a pin that is no output": ((M, D5, '"D13"'), "to another pin: D2, D3, D5, D7, D8, D9, ..."),
    "a pin that is no input": ((M, '"A0"', '"D13"'), "to another pin: D2, D3, D7, D8, D9, D10, ..."),
    "a liquid without its table": ((L, LIME, '"lime juice"'), 'write B = { liquid = "lime juice" }'),
    "an interlock without its table": ((M, '{ pin = "A0" }', '"A0"'), 'write glass = { pin = "A0" }'),
    "a rate without its table": ((C, f"B = {RATE}", 'B = "98 ml/min"'), 'write B = { rate = "98 ml/min" }'),
    "a table of no use inside another": ((M, "[interlock]\nglass", "[machine.x]\nglass"), "take it out"),
    "a comma left out": ((R, "2, ", "2 "), UNCLOSED),
    "a comma left out of a list": ((M, "[channel]", 'x = ["a" "b"]'), UNCLOSED),
    "quotes of an editor for prose": ((M, D5, "\u201cD5\u201d"), 'write straight quotes: "'),
    **{
        f"single quotes of an editor for prose: {pair}": (
            (M, D5, f"{pair[0]}D5{pair[1]}"),
            'write straight quotes: "',
        )
        for pair in ("\u2018\u2019", "\u201a\u2018", "\u2019\u2019")
    },
    "no quotes": ((M, D5, "D5"), "text needs quotes, a list square brackets"),
}


@pytest.mark.parametrize("name", SLIPS)
def test_the_one_message_of_a_slip_says_what_mends_it(tmp_path: Path, name: str) -> None:
    change, remedy = SLIPS[name]
    (problem,) = examine(put(tmp_path, changed(LEAST, change)))[1]
    assert not problem.warning and problem.line and problem.remedy.endswith(remedy)


def test_the_heading_of_a_table_is_missing(tmp_path: Path) -> None:
    found = examine(put(tmp_path, changed(LEAST, (C, "[channel]\n", ""))))[1]
    assert [problem.field for problem in found] == ["A", "B", "C"]
    assert {problem.remedy for problem in found} == {"put the heading [channel] above it"}


GLASS, STOP = 'glass = { pin = "A0" }', 'stop = { pin = "D7", does = "stop" }\n'
OR_ABOVE = 'add actuator = "peristaltic pump", or put '

# what is changed in machine.toml, the fields complained of, and what their messages end with
HEADINGS = {
    "of the channels": (
        ("[channel]\n", ""),
        "machine.A machine.B machine.C",
        "put the heading [channel] above it",
    ),
    "of the interlocks": (
        ("[interlock]\n", ""),
        "channel.glass.actuator",
        OR_ABOVE + "a heading above it: [interlock], [stage]",
    ),
    "of the first table": (
        ("[machine]\n", GLASS + "\n[machine]\n"),
        "glass",
        "put a heading above it: [interlock], [stage]",
    ),
    "of a button among the channels": (
        ("[interlock]\n", STOP + "[interlock]\n"),
        "channel.stop.actuator channel.stop.does",
        "put the heading [button] above it",
    ),
    "of what lacks a field too": (
        ("[machine]\n", 'soap = { actuator = "peristaltic pump", group = "g" }\n[machine]\n'),
        "soap",
        "put the heading [channel] above it",
    ),
}


@pytest.mark.parametrize("name", HEADINGS)
def test_every_heading_that_can_be_the_missing_one_is_named(tmp_path: Path, name: str) -> None:
    change, fields, remedy = HEADINGS[name]
    found = [
        problem
        for problem in examine(put(tmp_path, changed(LEAST, (M, *change))))[1]
        if problem.field != "channel"
    ]
    assert [problem.field for problem in found] == fields.split()
    assert all(problem.remedy.endswith(remedy) for problem in found)


@pytest.mark.parametrize("key", ["Harbour Fizz", "Sailor's Tea", "Tea (hot)", "the Sailor's (hot), 'n' cold"])
def test_a_table_given_twice_is_named_as_one_writes_it(tmp_path: Path, key: str) -> None:
    twice = f'[recipe."{key}"]\nparts = {{ soda = 1 }}\n'
    (problem,) = examine(put(tmp_path, {**LEAST, R: LEAST[R].partition("[recipe")[0] + 2 * twice}))[1]
    assert problem.found == f'this: Cannot declare recipe."{key}" twice'


def test_a_name_in_brackets_in_the_parsers_message_stands_as_it_is(tmp_path: Path) -> None:
    twice = LEAST[R].replace('"lime juice" = 1', '"syrup (x)" = 1, "syrup (x)" = 1')
    (problem,) = examine(put(tmp_path, {**LEAST, R: twice}))[1]
    assert "'syrup (x)'" in problem.found


def test_a_machine_without_channels_is_one_message(tmp_path: Path) -> None:
    head, _, rest = LEAST[M].partition("[channel]")
    (problem,) = examine(
        put(tmp_path, {**LEAST, M: head + "[interlock]" + rest.partition("[interlock]")[2]})
    )[1]
    assert (problem.file, problem.field) == (M, "channel")


def test_a_full_board_has_no_free_pin_to_offer(tmp_path: Path) -> None:
    most = scaffold.most_channels("atmega328p")
    scaffold.write(tmp_path, scaffold.Answers("A cart", "atmega328p", most, "300 ml", "high"))
    text = (tmp_path / M).read_text(encoding="utf-8") + '[button.more]\npin = "D2"\ndoes = "stop"\n'
    (problem,) = examine(put(tmp_path, {M: text}))[1]
    assert problem.remedy == "no pin is free: take a wire away, or a larger board"


def test_a_channel_in_the_place_of_a_liquid_is_left_out_with_the_reason(tmp_path: Path) -> None:
    named = changed(LEAST, (R, '"ginger syrup" = 2', "A = 2"))
    assert dict(load(put(tmp_path, named)).left_out) == {
        "Harbour Fizz": "not loaded: A (which is a channel; recipes name liquids)"
    }


def test_a_switch_that_says_too_much_is_told_how_to_say_less(tmp_path: Path) -> None:
    switches = (
        '[button.go]\npin = "A1"\ndoes = "pour"\n[selector.menu]\npins = ["A2", "A3"]\nsets = "recipe"\n'
    )
    size = '[selector.size]\npins = ["A4"]\nsets = "serving"\npositions = 2\n'
    found = load(put(tmp_path, {**LEAST, M: LEAST[M] + switches + size})).problems
    assert [problem.field for problem in found] == ["selector.menu.pins", "selector.size.positions"]
    assert all(problem.remedy.endswith("positions it has: positions = ...") for problem in found)


def test_where_nothing_can_be_poured_it_says_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path, {**LEAST, C: ""})
    assert main(["check", str(tmp_path)]) == 0
    printed = capsys.readouterr().out
    assert "Can be poured: nothing yet.\n" in printed and "each as" not in printed
    assert "Measure next: channel A, B, C. Run each" in printed
