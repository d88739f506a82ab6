"""The timing chart of one pour: a lane an output, on the terminal and as SVG."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from dosewright.gen.render import render

EIGHTHS = " ▏▎▍▌▋▊▉█"


@dataclass(frozen=True, slots=True)
class Lane:
    """One output: its name, the bars as (on, off) in seconds, and a note such as its volume."""

    label: str
    spans: tuple[tuple[float, float], ...]
    note: str = ""
    is_stage: bool = False


def nice_step(total: float, most: int) -> Fraction:
    """The least of 1, 2, 5 times a power of ten of which at most ``most`` make ``total`` seconds."""
    step = Fraction(1, 1000)
    while True:
        for factor in (1, 2, 5):
            if total / (step * factor) <= most:
                return step * factor
        step *= 10


def terminal(
    title: str, lanes: Sequence[Lane], total: float, width: int = 78, *, unicode: bool = True
) -> str:
    """The chart as lines of text no wider than ``width`` (at least 40) columns."""
    note_width = max((len(lane.note) for lane in lanes), default=0)
    label_width = min(28, max((len(lane.label) for lane in lanes), default=0))
    left = label_width + note_width + 2
    columns = max(10, max(40, width) - left - 2)
    lines = [title]
    for lane in lanes:
        bar = "".join(_cell(lane, column, columns, total, unicode) for column in range(columns))
        head = f"{lane.label[:label_width]:<{label_width}}  {lane.note:>{note_width}}"
        lines.append(f"{head} {'│' if unicode else '|'}{bar}".rstrip())
    lines += _axis(left, columns, total, unicode)
    return "\n".join(lines)


def _cell(lane: Lane, column: int, columns: int, total: float, unicode: bool) -> str:
    """One column: how much of its time the output is on, but never blank where it is on at all."""
    begin, end = column * total / columns, (column + 1) * total / columns
    covered = sum(max(0.0, min(end, off) - max(begin, on)) for on, off in lane.spans)
    share = covered / (end - begin) if total else 0.0
    if share <= 0:
        return " "
    if not unicode:
        return "=" if lane.is_stage else "#"
    if lane.is_stage:
        return "░"
    starts_late = any(begin < on < end for on, _ in lane.spans)
    if (
        starts_late
    ):  # block characters fill from the left; a late start is shown by the half block on the right
        return "█" if share > 0.75 else "▐"
    return EIGHTHS[max(1, round(share * 8))]


def _axis(left_width: int, columns: int, total: float, unicode: bool) -> list[str]:
    step = nice_step(total, max(2, columns // 9)) if total else Fraction(1)
    rule = ["─" if unicode else "-"] * columns
    marks = [" "] * (columns + 8)
    at = Fraction(0)
    while total and at <= total:
        column = min(columns - 1, int(at / Fraction(total) * columns))
        rule[column] = "┴" if unicode else "+"
        text = f"{float(at):g}"
        marks[column : column + len(text)] = list(text)
        at += step
    left = " " * left_width
    return [f"{left} {'└' if unicode else '+'}{''.join(rule)}", f"{left}  {''.join(marks).rstrip()} s"]


def svg(title: str, lanes: Sequence[Lane], total: float) -> str:
    """The chart as a self-contained SVG document."""
    left, right, row, top = 200, 32, 30, 64
    width = 900
    scale = (width - left - right) / total if total else 0.0
    step = nice_step(total, 12) if total else Fraction(1)
    grid = []
    at = Fraction(0)
    while total and at <= total:
        grid.append((f"{left + float(at) * scale:.1f}", f"{float(at):g}"))
        at += step
    rows = []
    for index, lane in enumerate(lanes):
        bars = [(f"{left + on * scale:.2f}", f"{max(1.0, (off - on) * scale):.2f}") for on, off in lane.spans]
        first = left + (lane.spans[0][0] * scale if lane.spans else 0)
        last = left + (lane.spans[-1][1] * scale if lane.spans else 0)
        behind = last + 6 + 6.2 * len(lane.note) < width - 4
        rows.append(
            {
                "label": lane.label,
                "y": top + index * row,
                "bars": bars,
                "stage": lane.is_stage,
                "note": lane.note,
                "note_x": f"{last + 6:.1f}" if behind else f"{first - 6:.1f}",
                "anchor": "start" if behind else "end",
            }
        )
    height = top + len(lanes) * row + 40
    return render(
        "chart.svg.j2",
        title=title,
        width=width,
        height=height,
        left=left,
        top=top,
        row=row,
        lanes=rows,
        grid=grid,
        bottom=top + len(lanes) * row,
    )
