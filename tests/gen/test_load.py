"""Files that are no files, no text, no TOML, or no project: always a message, never a traceback."""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dosewright.gen.files import MOST_BYTES
from dosewright.gen.load import load
from dosewright.gen.problems import UserError
from project_files import FILES, LEAST, changed, example, position, put


def refused(folder: Path) -> str:
    with pytest.raises(UserError) as caught:
        load(folder)
    return str(caught.value)


def test_the_example_and_the_least_machine_load(tmp_path: Path) -> None:
    assert len(LEAST["machine.toml"].splitlines()) < 15
    for name, files in {"least": LEAST, "example": example()}.items():
        project = load(put(tmp_path / name, files))
        assert project.problems == ()
        assert project.book.recipes


def test_what_is_loaded_and_measured_may_be_missing_altogether(tmp_path: Path) -> None:
    bare = {name: LEAST[name] for name in ("machine.toml", "recipes.toml")}
    assert [name for name, _ in load(put(tmp_path, bare)).left_out] == ["Harbour Fizz"]


def test_a_missing_folder_or_a_file_for_a_folder(tmp_path: Path) -> None:
    assert "no such folder" in refused(tmp_path / "none")
    (tmp_path / "file").touch()
    assert "a file" in refused(tmp_path / "file")


def test_missing_files_are_all_named(tmp_path: Path) -> None:
    text = refused(tmp_path)
    assert "machine.toml: found no such file" in text and "recipes.toml: found no such file" in text


@pytest.mark.parametrize("name", FILES)
def test_a_folder_in_the_place_of_a_file(tmp_path: Path, name: str) -> None:
    put(tmp_path, {other: text for other, text in LEAST.items() if other != name})
    (tmp_path / name).mkdir()
    assert f"{name}: found a folder" in refused(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes by name here")
def test_a_pipe_in_the_place_of_a_file_is_not_waited_for(tmp_path: Path) -> None:
    put(tmp_path, LEAST)
    (tmp_path / "loaded.toml").unlink()
    os.mkfifo(tmp_path / "loaded.toml")
    assert "loaded.toml: found something that is no file" in refused(tmp_path)


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="permissions do not bind here")
def test_a_file_without_permission(tmp_path: Path) -> None:
    put(tmp_path, LEAST)
    (tmp_path / "machine.toml").chmod(0)
    assert "machine.toml: found a file that cannot be read" in refused(tmp_path)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"# caf\xe9\n", "machine.toml:1:6: found the byte 0xe9, which is not UTF-8"),
        (b"a = 1\n\nb = \xff\n", "machine.toml:3:5: found the byte 0xff, which is not UTF-8"),
        # RFC 3629, sections 3, 4 and 10: overlong forms, surrogates, beyond U+10FFFF
        (b"a = '\xc0\x80'", "machine.toml:1:6: found the byte 0xc0, which is not UTF-8"),
        (b"a = '\xe0\x80\xaf'", "machine.toml:1:6: found the byte 0xe0, which is not UTF-8"),
        (b"a = '\xed\xa0\x80'", "machine.toml:1:6: found the byte 0xed, which is not UTF-8"),
        (b"a = '\xf4\x90\x80\x80'", "machine.toml:1:6: found the byte 0xf4, which is not UTF-8"),
        ("[machine]\n".encode("utf-16"), "machine.toml:1:1: found text in UTF-16"),
        ("[machine]\n".encode("utf-16-le"), "machine.toml:1:2: found a NUL byte"),
        (b"a = 1\nb = 'x\x00'\n", "machine.toml:2:7: found a NUL byte"),
        (b"a = 1\nb = = 2\n", "machine.toml:2:5: found this: Invalid value"),
        (b"a = 1\na = 2\n", "machine.toml:2:6: found this: Cannot overwrite a value"),
        (b"[machine\n", "machine.toml:1:9: found this: "),
        (b"a = 'x", "machine.toml:1:7: found this: "),
        (b"a = " + b"[" * 100_000, "machine.toml:1:1: found tables or lists nested too deep"),
        (b"a = " + b"[" * 40 + b"]" * 40, "machine.toml:1:1: found tables or lists nested too deep"),
        (b"a = " + b"9" * 5000, "machine.toml:1:1: found a number of very many digits"),
        (b"x = 1\n" * (MOST_BYTES // 6 + 1), "machine.toml: found more than 4 MiB"),
        (b"#" * 10_000_000, "machine.toml: found more than 4 MiB"),
    ],
)
def test_what_is_no_toml(tmp_path: Path, data: bytes, message: str) -> None:
    put(tmp_path, LEAST)
    (tmp_path / "machine.toml").write_bytes(data)
    assert refused(tmp_path).startswith(message)


def test_a_byte_order_mark_and_windows_line_ends_do_not_matter(tmp_path: Path) -> None:
    put(tmp_path, LEAST)
    for name, text in LEAST.items():
        (tmp_path / name).write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert load(tmp_path).problems == ()


@pytest.mark.parametrize(
    ("value", "found"),
    [
        ("1e400", "1E+400"),
        ("1e999999999", "1E+999999999"),
        ("nan", "NaN"),
        ("inf", "Infinity"),
        ("-1", "-1"),
        ("0", "0"),
        ("true", "true"),
        ('"2 ml"', '"2 ml"'),
        ("[]", "an empty list"),
        ("1979-05-27", "the date or time 1979-05-27"),
        ("9" * 100, "a number of very many digits"),
        ('"\\u0007\\u202e"', '"\N{REPLACEMENT CHARACTER}\N{REPLACEMENT CHARACTER}"'),
    ],
)
def test_a_part_that_is_no_number_above_0(tmp_path: Path, value: str, found: str) -> None:
    files = changed(LEAST, ("recipes.toml", "soda = 7", f"soda = {value}"))
    line, column = position(files["recipes.toml"], f"{value} }}")
    expected = f'recipes.toml:{line}:{column}: recipe."Harbour Fizz".parts.soda: found {found}; wanted '
    assert refused(put(tmp_path, files)).startswith(expected)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("parts = {", "parts = {} # {", "parts: found no liquid"),
        (LEAST["recipes.toml"][LEAST["recipes.toml"].index("[recipe") :], "", "recipe: found nothing"),
        (LEAST["recipes.toml"][LEAST["recipes.toml"].index("[recipe") :], "[recipe]\n", "recipe: found none"),
        ("[serving]\nregular", "[servings]\nregular", "servings: found the unknown key servings"),
        ('[recipe."Harbour Fizz"]', '[recipe." "]', 'the name " "'),
        ('[recipe."Harbour Fizz"]', '[recipe."a\\nb"]', "a name of visible characters"),
        ('"150 ml"', '"16 l"', "at most"),
    ],
)
def test_an_empty_or_odd_recipe_book(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert message in refused(put(tmp_path, changed(LEAST, ("recipes.toml", old, new))))


@pytest.mark.parametrize(
    ("file", "old", "new", "remedy"),
    [
        ("recipes.toml", LEAST["recipes.toml"], "", "add a table [recipe.NAME]"),
        ("recipes.toml", LEAST["recipes.toml"], "", "add a table [serving]"),
        ("machine.toml", LEAST["machine.toml"], "", "add a table [machine]"),
        ("machine.toml", 'vessel = "400 ml"', "", 'add vessel = "400 ml"'),
        ("machine.toml", "[interlock]", 'supply = "4 A"\n[interlock]', "wanted a table"),
        (
            "machine.toml",
            "[interlock]",
            '[channel.D]\nvessel = "4 l"\n[interlock]',
            "move it up to [machine]",
        ),
        ("machine.toml", '"Quayside soda cart"', "Quayside", "text needs quotes"),
        ("machine.toml", "glass =", "glass lever =", "needs quotes"),
        ("machine.toml", "B = {", "A = {", "take one of the two out"),
        ("machine.toml", "[interlock]", "[machine]", "put both together"),
        ("machine.toml", '"D6"', '"D6', "or the quote of a text before it"),
        ("machine.toml", 'soda cart"', "soda cart", "close the text with a quote"),
        ("machine.toml", '"D6", actuator = "peristaltic pump" }', '"D6" }}', "begin a new line"),
    ],
)
def test_the_remedy_is_the_one_for_the_slip(
    tmp_path: Path, file: str, old: str, new: str, remedy: str
) -> None:
    assert remedy in refused(put(tmp_path, changed(LEAST, (file, old, new))))


_VALUES = st.recursive(
    st.one_of(
        st.integers(),
        st.floats(),
        st.booleans(),
        st.text(max_size=12),
        st.sampled_from(["1 ml", "5 fl oz", "-3 s", "2 A", "high", "rest", "D4", "pump", "1 ml/s .. 2 ml/s"]),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=6), inner, max_size=3)
    ),
    max_leaves=6,
)
_KEYS = st.sampled_from(
    [
        "machine",
        "channel",
        "group",
        "interlock",
        "button",
        "stage",
        "name",
        "target",
        "vessel",
        "pin",
        "actuator",
        "pull",
        "current",
        "does",
        "needs",
        "serving",
        "recipe",
        "number",
        "parts",
        "amounts",
        "amounts_for",
        "last",
        "order",
        "stages",
        "liquid",
        "left",
        "rate",
        "offset",
        "unit",
        "tolerance",
        "A",
        "B",
    ]
)
_TABLES = st.dictionaries(_KEYS, st.one_of(_VALUES, st.dictionaries(_KEYS, _VALUES, max_size=5)), max_size=5)


def toml(value: object) -> str:
    """A value as TOML."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(str(key))} = {toml(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        safe = "".join(
            char if char.isalnum() or char in " _/.%-" else f"\\U{ord(char):08X}" for char in value
        )
        return f'"{safe}"'
    return repr(value)


@settings(max_examples=100, deadline=None)
@given(st.tuples(*[st.binary(max_size=200)] * 4))
def test_random_bytes_never_give_anything_but_a_message(data: tuple[bytes, ...]) -> None:
    with tempfile.TemporaryDirectory() as name:
        for file, content in zip(FILES, data, strict=True):
            (Path(name) / file).write_bytes(content)
        with pytest.raises(UserError):
            load(Path(name))


@settings(max_examples=120, deadline=None)
@given(st.tuples(*[st.dictionaries(_KEYS, _TABLES, max_size=4)] * 4), st.booleans())
def test_random_tables_never_give_anything_but_a_message(
    data: tuple[dict[str, object], ...], mixed: bool
) -> None:
    """Half of the time one random file among good ones, so that the checks across files are reached."""
    with tempfile.TemporaryDirectory() as name:
        folder = put(Path(name), LEAST)
        for index, (file, content) in enumerate(zip(FILES, data, strict=True)):
            text = "".join(f"{key} = {toml(inner)}\n" for key, inner in content.items())
            text = text.replace("\\U0000D8", "\\U0000E8").replace("\\U0000DC", "\\U0000E8")
            if not mixed or index == len(content) % 4:
                (folder / file).write_text(text, encoding="utf-8")
        try:
            load(folder)
        except UserError as error:
            assert str(error)


@settings(max_examples=120, deadline=None)
@given(st.sampled_from(FILES), st.data())
def test_one_value_of_the_example_changed_never_gives_anything_but_a_message(
    file: str, data: st.DataObject
) -> None:
    import re

    files = example()
    spots = [match.span() for match in re.finditer(r'(?<== )("[^"]*"|\d+)', files[file])]
    start, end = data.draw(st.sampled_from(spots))
    files[file] = files[file][:start] + toml(data.draw(_VALUES)) + files[file][end:]
    with tempfile.TemporaryDirectory() as name:
        try:
            load(put(Path(name), files))
        except UserError as error:
            assert all(problem.line >= 1 and problem.column >= 1 for problem in error.problems)
