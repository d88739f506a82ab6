"""Judges a pour from pin edges and the recipe's own numbers, with nothing of compiler, twin or judge.

Everything it knows comes in as quantities that a person wrote down (millilitres, rates, seconds,
milliamperes), so a slip that twin and engine have in common still shows here. It must not import anything of
dosewright.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import gcd, lcm

WEIGHT_MOST = 4095  # parts whose ratio needs larger whole numbers are rounded when they are stored


@dataclass(frozen=True, slots=True)
class Line:
    """An output as wired. ``group`` shares an air line or a manifold.

    ``max_on`` in seconds holds for a whole pour, or for each time where ``each_time``.
    """

    name: str
    current_ma: Fraction
    group: str = ""
    max_on: Fraction | None = None
    each_time: bool = False


@dataclass(frozen=True, slots=True)
class Rules:
    """The machine's limits: supply in milliamperes, times in seconds, a dead time for each group."""

    lines: tuple[Line, ...]
    supply_ma: Fraction
    inrush_gap: Fraction
    dead_times: dict[str, Fraction]
    tick: Fraction


@dataclass(frozen=True, slots=True)
class Part:
    """A dose: millilitres asked for, the line's rate in ml/s and its offset in ml."""

    line: int
    ml: Fraction
    rate: Fraction
    offset: Fraction
    last: bool = False


@dataclass(frozen=True, slots=True)
class Timed:
    """A stage: seconds, and ``before``, ``during`` or ``after`` the doses."""

    line: int
    seconds: Fraction
    when: str


@dataclass(frozen=True, slots=True)
class Pour:
    """What the recipe asks for, parts as written; the volume is their sum."""

    parts: tuple[Part, ...]
    stages: tuple[Timed, ...]
    largest_first: bool


@dataclass(frozen=True, slots=True)
class Switch:
    """A pin went on or off; ``tick`` counts from any origin and does not wrap."""

    tick: int
    line: int
    on: bool


@dataclass(frozen=True, slots=True)
class Span:
    """One time an output was on, in ticks: from ``start`` up to, not including, ``end``."""

    line: int
    start: int
    end: int


def check(rules: Rules, pour: Pour, switches: Sequence[Switch], begins: int, ends: int) -> list[str]:
    """What is wrong with an undisturbed pour that ran from tick ``begins`` to ``ends``; [] if nothing."""
    spans, findings = spans_of(rules, switches)
    findings += safe(rules, switches)
    for span in spans:
        if span.start < begins or span.end > ends:
            findings.append(f"{_name(rules, span.line)} was on outside the pour")
    wanted = {part.line for part in pour.parts} | {stage.line for stage in pour.stages}
    for line in sorted({span.line for span in spans} - wanted):
        findings.append(f"{_name(rules, line)} was on, which the recipe does not ask for")
    findings += _doses(rules, pour, spans)
    findings += _stages(rules, pour, spans)
    findings += _order(rules, pour, spans)
    return findings


def safe(rules: Rules, switches: Sequence[Switch]) -> list[str]:
    """What must hold in any pour, also a disturbed one: supply, inrush gap, groups, longest on-time."""
    spans, findings = spans_of(rules, switches)
    return (
        findings
        + _supply(rules, spans)
        + _gaps(rules, spans)
        + _groups(rules, spans)
        + _longest(rules, spans)
    )


def spans_of(rules: Rules, switches: Sequence[Switch]) -> tuple[list[Span], list[str]]:
    """The times each output was on, by their beginning; and what makes no sense in the switches."""
    began: dict[int, int] = {}
    spans, findings = [], []
    for switch in sorted(switches, key=lambda s: (s.tick, s.on)):
        if switch.on == (switch.line in began):
            findings.append(f"{_name(rules, switch.line)} went {'on' if switch.on else 'off'} twice")
        elif switch.on:
            began[switch.line] = switch.tick
        else:
            spans.append(Span(switch.line, began.pop(switch.line), switch.tick))
    findings += [f"{_name(rules, line)} was never switched off" for line in sorted(began)]
    return sorted(spans, key=lambda span: (span.start, span.line)), findings


def _supply(rules: Rules, spans: list[Span]) -> list[str]:
    for moment in sorted({span.start for span in spans}):
        drawn = sum(
            (rules.lines[s.line].current_ma for s in spans if s.start <= moment < s.end), start=Fraction(0)
        )
        if drawn > rules.supply_ma:
            return [f"{float(drawn):g} mA were drawn at once; the supply gives {float(rules.supply_ma):g} mA"]
    return []


def _gaps(rules: Rules, spans: list[Span]) -> list[str]:
    for first, second in pairwise(spans):
        if (second.start - first.start) * rules.tick < rules.inrush_gap:
            return [
                f"{_name(rules, second.line)} started {_ms(rules, second.start - first.start)} after "
                f"{_name(rules, first.line)}; {float(rules.inrush_gap * 1000):g} ms must lie between"
            ]
    return []


def _groups(rules: Rules, spans: list[Span]) -> list[str]:
    findings = []
    for group, dead_time in sorted(rules.dead_times.items()):
        members = [span for span in spans if rules.lines[span.line].group == group]
        for first, second in pairwise(members):
            apart = second.start - first.end
            if apart < 1 or apart * rules.tick < dead_time:
                findings.append(
                    f"{_name(rules, second.line)} started {_ms(rules, apart)} after "
                    f"{_name(rules, first.line)} of the same group ended; {float(dead_time * 1000):g} ms "
                    "must lie between"
                )
    return findings


def _longest(rules: Rules, spans: list[Span]) -> list[str]:
    findings = []
    for line, wired in enumerate(rules.lines):
        times = [span.end - span.start for span in spans if span.line == line]
        longest = max(times, default=0) if wired.each_time else sum(times)
        if wired.max_on is not None and longest * rules.tick > wired.max_on:
            findings.append(
                f"{wired.name} was on for {_s(rules, longest)}; {float(wired.max_on):g} s is the most it "
                "may be"
            )
    return findings


def _doses(rules: Rules, pour: Pour, spans: list[Span]) -> list[str]:
    findings = []
    volume = sum((part.ml for part in pour.parts), start=Fraction(0))
    poured, slack = Fraction(0), Fraction(0)
    for part in pour.parts:
        mine = [span for span in spans if span.line == part.line]
        ticks = sum(span.end - span.start for span in mine)
        if len(mine) != 1:
            findings.append(f"{_name(rules, part.line)} was on {len(mine)} times; once is right")
        asked = (part.ml - part.offset) / part.rate
        near = rules.tick + rounding(pour.parts, part) / part.rate
        if abs(ticks * rules.tick - asked) > near:
            findings.append(
                f"{_name(rules, part.line)} was on for {_s(rules, ticks)}; {float(part.ml):.3f} ml take "
                f"{float(asked):.4f} s"
            )
        poured += ticks * rules.tick * part.rate + (part.offset if mine else 0)
        slack += rules.tick * part.rate
    if abs(poured - volume) > slack:
        findings.append(f"{float(poured):.3f} ml were poured in all; {float(volume):.3f} ml were asked for")
    return findings


def rounding(parts: Iterable[Part], part: Part) -> Fraction:
    """How far storing whole-number ratios may move this part, in ml; 0 where the ratio is small enough.

    With weights w_i = round(k a_i), each off by at most 1/2, and the largest 4095, a share w_i/W is off by at
    most (1 + n a_i/A) / (2 W), and W is at least 4095.
    """
    amounts = [p.ml for p in parts]
    whole = [int(ml * lcm(*(a.denominator for a in amounts))) for ml in amounts]
    most = WEIGHT_MOST
    if max(whole) // gcd(*whole) <= most:
        return Fraction(0)
    total = sum(amounts, start=Fraction(0))
    return (total + len(amounts) * part.ml) / (2 * most)


def _stages(rules: Rules, pour: Pour, spans: list[Span]) -> list[str]:
    findings = []
    lines = [part.line for part in pour.parts]
    doses = [span for span in spans if span.line in lines]
    for line in sorted({stage.line for stage in pour.stages}):
        wanted = [stage for stage in pour.stages if stage.line == line]
        mine = [span for span in spans if span.line == line]
        if len(mine) != len(wanted):
            findings.append(f"{_name(rules, line)} was on {len(mine)} times; {len(wanted)} is right")
            continue
        rank = {"before": 0, "during": 1, "after": 2}
        for stage, span in zip(sorted(wanted, key=lambda s: rank[s.when]), mine, strict=True):
            if abs((span.end - span.start) * rules.tick - stage.seconds) > rules.tick:
                findings.append(
                    f"{_name(rules, line)} was on for {_s(rules, span.end - span.start)}; "
                    f"{float(stage.seconds):g} s is right"
                )
            if stage.when == "before" and any(dose.start < span.end for dose in doses):
                findings.append(f"a dose started before {_name(rules, line)} had ended")
            if stage.when == "after" and any(dose.end > span.start for dose in doses):
                findings.append(f"{_name(rules, line)} started before the last dose had ended")
            if stage.when == "during" and any(dose.start < span.start for dose in doses):
                findings.append(f"{_name(rules, line)} started after the doses had begun")
    return findings


def _order(rules: Rules, pour: Pour, spans: list[Span]) -> list[str]:
    starts = {span.line: span.start for span in reversed(spans)}
    ends = {span.line: span.end for span in spans}
    ahead = [part for part in pour.parts if not part.last]
    findings = []
    if pour.largest_first:
        ahead.sort(key=lambda part: -part.ml)
    for first, second in pairwise(ahead):
        tied = pour.largest_first and first.ml == second.ml
        if not tied and starts.get(second.line, 0) < starts.get(first.line, 0):
            findings.append(f"{_name(rules, second.line)} started before {_name(rules, first.line)}")
    for part in pour.parts:
        if part.last and any(ends.get(other.line, 0) > starts.get(part.line, 0) for other in ahead):
            findings.append(
                f"{_name(rules, part.line)}, to be poured last, started before the others had ended"
            )
    return findings


def _name(rules: Rules, line: int) -> str:
    return rules.lines[line].name


def _ms(rules: Rules, ticks: int) -> str:
    return f"{float(ticks * rules.tick * 1000):g} ms"


def _s(rules: Rules, ticks: int) -> str:
    return f"{float(ticks * rules.tick):.4f} s"
