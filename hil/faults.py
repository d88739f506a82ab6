"""Disturbances: every interlock lost at every telling moment of a pour, with and without going on, and stops.

The moments follow from the plan; an interlock is opened so that its debounced loss falls into the wanted
tick.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from dosewright.gen.compiled import CompiledRecipe, Interlock, Stage
from dosewright.gen.lower import Compiled
from dosewright.gen.plan import Plan, plan
from dosewright.hil.replay import Act
from dosewright.hil.switches import Setting

AWAY = 400  # ticks an interlock stays open before it comes back
SOON = 25
BETWEEN = "between doses"


@dataclass(frozen=True, slots=True)
class Case:
    """One pour to be made: undisturbed when ``fault`` is empty."""

    recipe: CompiledRecipe
    serving: int
    fault: str = ""
    acts: tuple[Act, ...] = ()
    open_first: int = -1
    by: Setting | None = None  # asked for with switches, not over the link


def telling(compiled: Compiled) -> list[tuple[CompiledRecipe, int]]:
    """The recipe with most to disturb, and one with a gap between doses; at the smallest serving."""
    smallest = min(range(len(compiled.recipes.servings)), key=lambda i: compiled.recipes.servings[i])

    def weight(recipe: CompiledRecipe) -> tuple[int, int, int]:
        stages = sum(isinstance(step, Stage) for step in recipe.steps)
        return min(stages, 2), len(recipe.steps), -recipe.number

    ranked = sorted(compiled.recipes.recipes, key=weight, reverse=True)
    apart = [recipe for recipe in ranked if _apart(compiled, recipe, smallest)]
    return [(recipe, smallest) for recipe in dict.fromkeys([*ranked[:1], *apart[:1]])]


def _apart(compiled: Compiled, recipe: CompiledRecipe, serving: int) -> bool:
    return any(name == BETWEEN for name, _ in _moments(compiled, plan(compiled, recipe, serving)))


def faults(compiled: Compiled, recipe: CompiledRecipe, serving: int) -> Iterator[Case]:
    """Every disturbance of one pour."""
    moments = _moments(compiled, plan(compiled, recipe, serving))
    for index, lock in enumerate(compiled.machine.interlocks):
        yield Case(recipe, serving, f"{lock.name} open before the pour", open_first=index)
        for moment, tick in moments:
            for fault, acts in _losses(lock, index, tick):
                yield Case(recipe, serving, f"{lock.name} lost {moment}{fault}", acts)
    for moment, tick in moments:
        yield Case(recipe, serving, f"stop {moment}", (Act(tick - 1, "stop"),))


def _losses(lock: Interlock, index: int, tick: int) -> Iterator[tuple[str, tuple[Act, ...]]]:
    opened = tick - lock.debounce
    lost = max(opened, 0) + lock.debounce
    back = lost + AWAY
    open_it, close_it = Act(opened, "open", index), Act(back, "close", index)
    too_early = Act(lost + SOON, "go on")
    yield ", stays open", (open_it, too_early)
    yield ", comes back", (open_it, close_it)
    yield ", comes back, go on", (open_it, too_early, close_it, Act(back + lock.debounce + SOON, "go on"))


def _moments(compiled: Compiled, planned: Plan) -> list[tuple[str, int]]:
    """Names and ticks, after the pour's beginning, at which something is to happen."""
    channels = compiled.machine.channels
    began: dict[int, int] = {}
    spans = []
    for edge in planned.edges:
        if edge.on:
            began[edge.output] = edge.tick
        else:
            spans.append((began.pop(edge.output), edge.tick, edge.output))
    doses = sorted(span for span in spans if span[2] < channels)
    stages = sorted(span for span in spans if span[2] >= channels)
    start, end, _ = doses[0]
    moments = [
        ("at the start of a dose", start + 1),
        ("in the middle of a dose", (start + end) // 2),
        ("a tick before the end of a dose", end - 1),
        ("at the end of a dose", end),
        ("a tick after the end of a dose", end + 1),
    ]
    for off in sorted(span[1] for span in doses):
        following = min((span[0] for span in doses if span[0] > off), default=None)
        if following and not any(span[0] <= off < span[1] for span in doses):
            moments.append((BETWEEN, (off + following) // 2))
            break
    moments += [
        (f"during {compiled.machine.outputs[output].name}", (begin + finish) // 2)
        for begin, finish, output in stages
    ]
    return moments
