"""The exact plan by itself; that the controller's integers follow it is in test_arithmetic."""

from __future__ import annotations

import ast
import inspect
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from dosewright.gen import exact

amounts = st.fractions(Fraction(1, 1000), 1000, max_denominator=10_000)


@given(st.lists(amounts, min_size=1, max_size=16), amounts)
def test_volumes_sum_to_the_serving_and_keep_the_proportions(
    parts: list[Fraction], serving: Fraction
) -> None:
    volumes = exact.volumes(parts, serving)
    assert sum(volumes) == serving
    assert all(v * parts[0] == volumes[0] * p for v, p in zip(volumes, parts, strict=True))


@given(amounts, amounts, st.fractions(-1, 1, max_denominator=1000))
def test_the_on_time_brings_the_volume(volume: Fraction, flow: Fraction, offset: Fraction) -> None:
    seconds = exact.on_time(volume, flow, offset)
    assert seconds * flow + offset == volume or (seconds == 0 and volume <= offset)
    assert exact.on_ticks(volume, flow, offset, 1000) == seconds * 1000


def test_45_ml_at_98_ml_a_minute() -> None:
    """Common practice, no source: 27.551 s."""
    assert exact.on_time(Fraction(45), Fraction(98, 60)) == Fraction(1350, 49)
    assert round(float(Fraction(1350, 49)), 3) == 27.551


def test_it_shares_nothing_with_the_integers_it_judges() -> None:
    imported = {
        alias.name if isinstance(node, ast.Import) else node.module
        for node in ast.walk(ast.parse(inspect.getsource(exact)))
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in node.names
    }
    assert imported == {"__future__", "collections.abc", "fractions"}
