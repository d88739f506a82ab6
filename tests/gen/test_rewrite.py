"""A file of the user's changed in places: what was there stays, byte for byte."""

from __future__ import annotations

import pytest

from dosewright.gen.problems import UserError
from dosewright.gen.rewrite import set_texts

FILE = """\
# top
[machine]
name = "Jetty cart"   # not "D4"

[channel]
A = { pin = "D4", actuator = "peristaltic pump" }  # first
"B b" = {pin="D5",actuator="x"}

[channel.C]   # long form
# inside
pin = 'D6'    # the third
actuator = "x"
# tail

# Conditions that must hold
[interlock.glass]
pin = "A0"

"""


def test_values_change_and_comments_stay() -> None:
    changed = set_texts("machine.toml", FILE, {("channel", "A", "pin"): "D5", ("channel", "C", "pin"): "D4"})
    wanted = FILE.replace('A = { pin = "D4"', 'A = { pin = "D5"').replace(
        "pin = 'D6'    #", 'pin = "D4"    #'
    )
    assert changed == wanted


def test_an_entry_of_a_list_changes() -> None:
    text = '[selector.menu]\npins = ["A0", "A1"]  # lowest first\nsets = "recipe"\n'
    changed = set_texts("machine.toml", text, {("selector", "menu", "pins", 1): "A5"})
    assert changed == text.replace('"A1"', '"A5"')


def test_a_new_key_stands_behind_the_first_of_its_table() -> None:
    changed = set_texts(
        "machine.toml",
        FILE,
        {
            ("channel", "A", "on_when"): "low",
            ("channel", "B b", "on_when"): "low",
            ("channel", "C", "on_when"): "low",
            ("interlock", "glass", "closed_when"): "high",
        },
    )
    wanted = FILE.replace('pump" }', 'pump", on_when = "low" }').replace(
        'actuator="x"}', 'actuator="x", on_when = "low"}'
    )
    wanted = wanted.replace("pin = 'D6'    # the third\n", "pin = 'D6'    # the third\non_when = \"low\"\n")
    wanted = wanted.replace('pin = "A0"\n', 'pin = "A0"\nclosed_when = "high"\n')
    assert changed == wanted


def test_line_ends_stay_and_a_last_line_without_one_gets_it() -> None:
    text = FILE.rstrip("\n").replace("\n", "\r\n")
    changed = set_texts("machine.toml", text, {("interlock", "glass", "closed_when"): "high"})
    assert changed == text + '\r\nclosed_when = "high"\r\n'


@pytest.mark.parametrize(
    "text",
    [
        'channel.A.pin = "D4"\n',
        '[channel]\nA.pin = "D4"\n',
        '[channel.A]\npin = "D4"\n[other]\nx = 1\n[channel.B]\npin = "D5"\n',
        '[channel]\n[channel.A]\npin = """D4"""\n',
    ],
)
def test_other_ways_of_writing_are_followed(text: str) -> None:
    changed = set_texts("m", text, {("channel", "A", "pin"): "D9", ("channel", "A", "on_when"): "low"})
    assert changed.count("D4") == 0 and 'on_when = "low"' in changed


def test_what_cannot_be_followed_is_left_to_the_person() -> None:
    with pytest.raises(UserError, match=r'machine.toml: .* wanted channel.Z.pin = "D9"; change it by hand'):
        set_texts("machine.toml", FILE, {("channel", "Z", "pin"): "D9"})
