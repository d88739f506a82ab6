"""Jinja2 with the settings of every template of the project. Decisions stay in Python; templates lay out."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from dosewright.gen.identifiers import c_comment, c_string

if TYPE_CHECKING:
    from jinja2 import Environment


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    root = files("dosewright.templates")
    env = Environment(
        loader=FunctionLoader(lambda name: root.joinpath(*name.split("/")).read_text("utf-8")),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        autoescape=False,
    )
    env.filters["c_string"] = c_string
    env.filters["c_comment"] = c_comment
    return env


def render(template: str, **values: object) -> str:
    """The text of ``templates/<template>`` with these values; an unknown name in the template is an error."""
    return _environment().get_template(template).render(**values)
