"""JSON Schema of the files: valid, fully explained, as strict as the models, true of real files."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator
from contextlib import suppress
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from dosewright.gen import units
from dosewright.gen.cli import main
from dosewright.gen.schema import schema_of
from project_files import LEAST, example

NAMES = ("machine", "recipes", "loaded", "calibration")


def tables(schema: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    yield "the file", schema
    yield from schema.get("$defs", {}).items()


def as_json(text: str) -> Any:
    """The TOML as an editor shows it to a schema: dates are strings."""
    return json.loads(json.dumps(tomllib.loads(text), default=lambda value: value.isoformat()))


@pytest.mark.parametrize("name", NAMES)
def test_the_schema_is_one_of_2020_12(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    # json-schema.org, draft 2020-12, by its meta-schema in the jsonschema library; what exclusiveMinimum and
    # additionalProperties then refuse is tried below
    assert main(["schema", name]) == 0
    schema = json.loads(capsys.readouterr().out)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize("name", NAMES)
def test_every_field_and_table_is_described_and_nothing_internal_shows(name: str) -> None:
    schema = schema_of(name)
    for table_name, table in tables(schema):
        assert table.get("description"), table_name
        for field, content in table["properties"].items():
            assert content.get("description", "").endswith((".", '"')), (table_name, field)
    assert "x-" not in json.dumps(schema).replace("max-", "")
    assert "null" not in json.dumps(schema)


@pytest.mark.parametrize("name", NAMES)
def test_the_schema_is_strict(name: str) -> None:
    for table_name, table in tables(schema_of(name)):
        extra = table["additionalProperties"]
        assert extra is False or (name == "loaded" and table_name == "the file" and "$ref" in extra)


@pytest.mark.parametrize("name", NAMES)
def test_real_files_validate(name: str) -> None:
    validator = Draft202012Validator(schema_of(name))
    for files in (example(), LEAST):
        assert [error.message for error in validator.iter_errors(as_json(files[f"{name}.toml"]))] == []


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("machine", {"machine": {"name": "x", "target": "t", "vessel": "1 l"}, "channel": {}}),
        ("machine", {"machine": {"name": "x", "target": "t", "vessel": 0}, "channel": {"A": {}}}),
        (
            "machine",
            {"machine": {"name": "x", "target": "t"}, "channel": {"A": {"pin": "D2", "actuator": "x"}}},
        ),
        ("recipes", {"serving": {"a": 0}, "recipe": {"b": {"parts": {"c": 1}}}}),
        ("recipes", {"serving": {"a": 1}, "recipe": {"b": {"parts": {"c": 0}}}}),
        ("recipes", {"serving": {"a": 1}, "recipe": {"b": {"parts": {"c": "1 ml"}}}}),
        ("recipes", {"serving": {"a": 1}, "recipe": {"b": {"number": 0, "parts": {"c": 1}}}}),
        ("recipes", {"serving": {"a": 1}, "recipe": {}}),
        ("loaded", {"A": {"liqid": "x"}}),
        ("calibration", {"channel": {"A": {"rate": -1}}}),
        ("calibration", {"channels": {}}),
    ],
)
def test_what_the_models_refuse_the_schema_refuses(name: str, value: dict[str, Any]) -> None:
    assert not Draft202012Validator(schema_of(name)).is_valid(value)


def test_the_reason_of_a_default_is_in_its_description() -> None:
    field = schema_of("machine")["$defs"]["Interlock"]["properties"]["debounce"]
    assert field["default"] == "20 ms"
    assert "Default 20 ms: most switches bounce" in field["description"]


def test_dates_are_dates() -> None:
    assert isinstance(tomllib.loads(example()["calibration.toml"])["channel"]["A"]["measured"], date)


@given(
    st.sampled_from([units.VOLUME, units.RATE, units.TIME, units.CURRENT, units.PERCENT]),
    st.text(max_size=12),
)
def test_the_schema_takes_every_quantity_that_the_models_take(kind: units.Kind, text: str) -> None:
    pattern = schema_of("machine")["$defs"]["General"]["properties"]["vessel"]["anyOf"][0]["pattern"]
    for unit in ("", "ml", "ml/min", " s", "A", "%"):
        with suppress(units.UnreadableError):
            units.parse(text + unit, kind)
            assert re.search(pattern, text + unit)
