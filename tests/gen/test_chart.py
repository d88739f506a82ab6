"""The timing chart: read back, it says what the plan says."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosewright.gen import chart
from dosewright.gen.chart import Lane
from dosewright.gen.cli import main
from project_files import changed, example, put

NS = {"svg": "http://www.w3.org/2000/svg"}
HOSTILE = '<b>&"quote" ]]> 酸い'


def drawn(root: ElementTree.Element) -> list[tuple[float, float]]:
    """Left and right end of every bar, top lane first."""
    bars = [r for r in root.iterfind("svg:rect", NS) if r.get("class") in ("dose", "stage")]
    return [(float(r.get("x", "")), float(r.get("x", "")) + float(r.get("width", ""))) for r in bars]


def test_the_bars_of_the_svg_are_the_edges_of_the_plan(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path, changed(example(), ("recipes.toml", '[recipe."Rope Walk"]', f"[recipe.'{HOSTILE}']")))
    words = ["plan", str(tmp_path), HOSTILE, "--serving", "tall"]
    assert main([*words, "--json"]) == 0
    (pour,) = json.loads(capsys.readouterr().out)["pours"]
    began: dict[int, int] = {}
    spans: dict[int, list[tuple[int, int]]] = {}
    for tick, output, on in pour["edges"]:
        if on:
            began[output] = tick
        else:
            spans.setdefault(output, []).append((began[output], tick))
    file = tmp_path / "chart.svg"
    assert main([*words, "--svg", str(file)]) == 0
    root = ElementTree.fromstring(file.read_text(encoding="utf-8"))
    assert HOSTILE in (root.findtext("svg:title", "", NS))
    bars = drawn(root)
    flat = sorted(span for those in spans.values() for span in those)
    assert len(bars) == len(flat) == 5
    # one scale for all: pixels per tick, from the two bars that begin first and end last
    left = min(bar[0] for bar in bars)
    scale = (max(bar[1] for bar in bars) - left) / (max(span[1] for span in flat) - flat[0][0])
    for (on, off), (x, end) in zip(flat, sorted(bars), strict=True):
        assert x == pytest.approx(left + (on - flat[0][0]) * scale, abs=0.05)
        assert end == pytest.approx(left + (off - flat[0][0]) * scale, abs=0.05)
    again = file.read_bytes()
    assert main([*words, "--svg", str(file)]) == 0
    assert file.read_bytes() == again


def one_after_the_other(pairs: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Bars from pauses and lengths."""
    spans, now = [], 0.0
    for pause, length in pairs:
        spans.append((now + pause, now + pause + length))
        now += pause + length
    return tuple(spans)


spans_ = st.lists(st.tuples(st.floats(0, 40), st.floats(0.001, 20)), max_size=3).map(one_after_the_other)


@given(
    st.lists(st.builds(Lane, st.text("ab é", max_size=40), spans_, st.text("1 ml", max_size=9)), max_size=5),
    st.integers(10, 200),
    st.booleans(),
)
def test_the_terminal_chart_fits_and_shows_every_bar(lanes: list[Lane], width: int, unicode: bool) -> None:
    total = max((off for lane in lanes for _, off in lane.spans), default=0.0)
    lines = chart.terminal("title", lanes, total, width, unicode=unicode).split("\n")
    assert len(lines) == 1 + len(lanes) + 2
    assert all(len(line) <= max(width, 52) for line in lines[1:-1])
    for lane, line in zip(lanes, lines[1:], strict=False):
        assert bool(line.split("│" if unicode else "|", 1)[1].strip()) is bool(lane.spans)
    if not unicode:
        assert all(line.isascii() or "é" in line for line in lines)


@given(st.floats(0.001, 1e6), st.integers(2, 40))
def test_the_scale_has_round_steps(total: float, most: int) -> None:
    step = chart.nice_step(total, most)
    assert total / step <= most
    digits = f"{float(step):e}"
    assert digits[0] in "125" and set(digits[1:8]) <= {".", "0"}
