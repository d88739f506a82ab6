"""JSON Schema (draft 2020-12) of the input files, so that an editor completes keys and explains them."""

from __future__ import annotations

from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from dosewright.gen.load import FILES
from dosewright.gen.models.base import STAND_IN, WHY

DRAFT = "https://json-schema.org/draft/2020-12/schema"


class _Generate(GenerateJsonSchema):
    """TOML has no null: what may be left out is left out."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])


def schema_of(name: str) -> dict[str, Any]:
    """The schema of ``machine``, ``recipes``, ``loaded`` or ``calibration``. KeyError for any other name."""
    schema = FILES[name].model_json_schema(schema_generator=_Generate)
    tables: list[dict[str, Any]] = [schema, *schema.get("$defs", {}).values()]
    for table in tables:
        table.pop("title", None)
        for field in table.get("properties", {}).values():
            _explain(field)
    return {"$schema": DRAFT, "title": f"{name}.toml", **schema}


def _explain(field: dict[str, Any]) -> None:
    """Put the reason of the default into the description, where editors show it."""
    field.pop("title", None)
    field.pop(STAND_IN, None)
    why = field.pop(WHY, None)
    if why is None:
        return
    default = field.get("default")
    if default is None:
        field.pop("default", None)
        field["description"] += f" When left out: {why}."
    else:
        field["description"] += f" Default {default}: {why}."
