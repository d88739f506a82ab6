"""What must never happen in a disturbed pour; like checker.py, from pins and quantities alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dosewright.hil.checker import Pour, Rules, Span, Switch, rounding, safe, spans_of


@dataclass(frozen=True, slots=True)
class Closed:
    """These outputs must be off from tick ``first`` until before tick ``last``, because of ``why``."""

    lines: frozenset[int]
    first: int
    last: int
    why: str


def beyond(
    rules: Rules, pour: Pour, switches: Sequence[Switch], begins: int, ends: int, closed: Sequence[Closed]
) -> list[str]:
    """What was on and may not have been, [] if nothing. ``ends`` is ``begins`` for a refused pour."""
    spans, _ = spans_of(rules, switches)
    findings = safe(rules, switches)
    for span in spans:
        name = rules.lines[span.line].name
        if span.start < begins or span.end > ends:
            findings.append(f"{name} was on outside the pour")
        for window in closed:
            if span.line in window.lines and span.start < window.last and span.end > window.first:
                findings.append(f"{name} was on although {window.why}")
    for line in sorted({span.line for span in spans}):
        findings += _too_much(rules, pour, [span for span in spans if span.line == line])
    return findings


def _too_much(rules: Rules, pour: Pour, mine: list[Span]) -> list[str]:
    """On for longer, in all, than the recipe asks for."""
    line = mine[0].line
    on = sum(span.end - span.start for span in mine) * rules.tick
    most = sum(
        (stage.seconds + rules.tick for stage in pour.stages if stage.line == line), start=0 * rules.tick
    )
    for part in pour.parts:
        if part.line == line:
            # What is lost at each start is poured again after each interruption.
            lost = max(-part.offset / part.rate, 0 * rules.tick) + rules.tick
            most = (part.ml - part.offset + rounding(pour.parts, part)) / part.rate + rules.tick
            most += lost * (len(mine) - 1)
    if on > most:
        name = rules.lines[line].name
        return [f"{name} was on for {float(on):.4f} s in all; {float(most):.4f} s is the most it may be"]
    return []
