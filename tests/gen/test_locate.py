"""Positions of keys and values, compared with where the text itself has them."""

from __future__ import annotations

import tomllib

from dosewright.gen.locate import Path, Places
from project_files import example, position

TEXT = """\
top.a."b c" = 1                     # dotted
[channel]
A = { pin = "P1", deep.er = [10, { z = 20 }, [30]] }
"ä ö" = { pin = "P2" } # a name beyond ASCII, then a position in characters, not bytes
[[list.of]]
k = "K1"
[[list.of]]
# a comment
k = '''K2
over lines'''
sub = { ß = "ü", after = "K3" }
[list.of.inner]
q = "Q"
['single']
w = 1979-05-27
"""


def test_values_stand_where_their_text_does() -> None:
    places = Places(TEXT)
    for path, marker in {
        ("channel", "A", "pin"): '"P1"',
        ("channel", "A", "deep", "er"): "[10,",
        ("channel", "A", "deep", "er", 0): "10,",
        ("channel", "A", "deep", "er", 1, "z"): "20 }",
        ("channel", "A", "deep", "er", 2, 0): "30]",
        ("channel", "ä ö", "pin"): '"P2"',
        ("list", "of", 0, "k"): '"K1"',
        ("list", "of", 1, "k"): "'''K2",
        ("list", "of", 1, "sub", "after"): '"K3"',
        ("list", "of", 1, "inner", "q"): '"Q"',
        ("single", "w"): "1979",
        ("top", "a", "b c"): "1   ",
    }.items():
        assert places.value(path) == position(TEXT, marker), path


def test_keys_stand_where_their_text_does() -> None:
    places = Places(TEXT)
    for path, marker in {
        ("top", "a", "b c"): '"b c" =',
        ("channel",): "channel]",
        ("channel", "A"): "A = {",
        ("channel", "ä ö"): '"ä ö" =',
        ("channel", "A", "deep", "er"): "er = [",
        ("list", "of", 1, "sub"): "sub =",
        ("single",): "'single'",
    }.items():
        assert places.key(path) == position(TEXT, marker), path


def test_what_is_not_there_is_placed_at_the_table_around_it() -> None:
    places = Places(TEXT)
    assert places.value(("channel", "A", "current")) == places.value(("channel", "A"))
    assert places.value(("nothing", "at", "all")) == (1, 1)


def test_every_value_of_the_example_has_a_place_of_its_own() -> None:
    for name, text in example().items():
        places = Places(text)
        for path, _ in _leaves(tomllib.loads(text), ()):
            line, column = places.value(path)
            rest = text.split("\n")[line - 1][column - 1 :]
            assert rest[0] in '"0123456789-tf[', (name, path, rest)
            assert places.value(path) != places.key(path), (name, path)


def _leaves(value: object, path: Path) -> list[tuple[Path, object]]:
    if isinstance(value, dict):
        return [leaf for key, inner in value.items() for leaf in _leaves(inner, (*path, key))]
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return [leaf for index, inner in enumerate(value) for leaf in _leaves(inner, (*path, index))]
    return [(path, value)]
