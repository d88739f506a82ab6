"""``dosewright plan``: when each output switches, as a list of pours or as the timing chart of one."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dosewright.gen.chart import Lane
    from dosewright.gen.lower import Compiled
    from dosewright.gen.plan import Plan

DESCRIPTION = """Works out when each output switches on and off. Without a recipe: how long every pour takes.
With one: its timing chart, each dose with the volume asked for, its on-time, and what whole ticks make of it.
No compiler and no controller is needed."""
EXAMPLE = 'dosewright plan my-cart "Dock Sour" --serving tall --svg dock-sour.svg'


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, help="the project folder")
    parser.add_argument("recipe", nargs="?", help="a recipe, by name or number")
    parser.add_argument("--serving", help="only this serving; the first one where a recipe is charted")
    parser.add_argument("--svg", type=Path, metavar="FILE", help="also write the chart as SVG")
    parser.add_argument("--json", action="store_true", help="print edges and doses as JSON")


def run(arguments: argparse.Namespace) -> int:
    from dosewright.gen import choice
    from dosewright.gen.load import load
    from dosewright.gen.lower import lower
    from dosewright.gen.plan import plan, plans
    from dosewright.gen.problems import Exit, UserError

    if arguments.svg and not arguments.recipe:
        raise UserError("--svg draws one pour: name a recipe", exit_code=Exit.USAGE)
    compiled = lower(load(arguments.folder))
    serving = choice.serving(compiled, arguments.serving) if arguments.serving else None
    if arguments.recipe:
        chosen = [plan(compiled, choice.recipe(compiled, arguments.recipe), serving or 0)]
    else:
        chosen = [one for one in plans(compiled) if serving in (None, one.serving)]
    if arguments.json:
        from dosewright.gen.emit import plan_json

        print(plan_json(compiled, chosen), end="")
    elif arguments.recipe:
        _print_chart(compiled, chosen[0])
    else:
        _print_list(compiled, chosen)
    if arguments.svg:
        from dosewright.gen.chart import svg
        from dosewright.gen.output import replace_all

        text = svg(
            _title(compiled, chosen[0]), lanes(compiled, chosen[0]), _seconds(compiled, chosen[0].duration)
        )
        replace_all(arguments.svg.absolute().parent, {arguments.svg.name: text.encode()})
    return Exit.DONE


def lanes(compiled: Compiled, plan: Plan) -> list[Lane]:
    """The lanes of a plan's chart, in the order of the recipe's steps."""
    from dosewright.gen.chart import Lane

    volume = {dose.output: f"{float(dose.asked_ml):.4g} ml" for dose in plan.doses}
    out = []
    for output in dict.fromkeys(step.output for step in plan.recipe.steps):
        spans, on = [], 0.0
        for edge in plan.edges:
            if edge.output == output and edge.on:
                on = _seconds(compiled, edge.tick)
            elif edge.output == output:
                spans.append((on, _seconds(compiled, edge.tick)))
        name = compiled.machine.outputs[output].name
        label = f"{name}  {compiled.liquids[name]}" if name in compiled.liquids else name
        out.append(Lane(label, tuple(spans), volume.get(output, ""), output >= compiled.machine.channels))
    return out


def _seconds(compiled: Compiled, ticks: int) -> float:
    return ticks * compiled.machine.tick_us / 1e6


def _title(compiled: Compiled, plan: Plan) -> str:
    from dosewright.gen.compiled import QUANTA_PER_ML

    ml = compiled.recipes.servings[plan.serving] / QUANTA_PER_ML
    serving = compiled.serving_names[plan.serving]
    return f"{plan.recipe.name}, {serving} ({ml:.4g} ml): {_seconds(compiled, plan.duration):.3f} s"


def _print_chart(compiled: Compiled, plan: Plan) -> None:
    import shutil

    from dosewright.gen.chart import terminal

    unicode = (sys.stdout.encoding or "").lower().replace("-", "").startswith("utf")
    width = min(100, shutil.get_terminal_size((78, 24)).columns)
    total = _seconds(compiled, plan.duration)
    print(terminal(_title(compiled, plan), lanes(compiled, plan), total, width, unicode=unicode))
    print(f"\n{'line':<12} {'asked ml':>10} {'on s':>9} {'exact s':>12} {'poured ml':>11} {'off by ml':>10}")
    for dose in plan.doses:
        exact = float(dose.exact_ticks) * compiled.machine.tick_us / 1e6
        print(
            f"{compiled.machine.outputs[dose.output].name:<12.12} {float(dose.asked_ml):>10.3f} "
            f"{_seconds(compiled, dose.ticks):>9.3f} {exact:>12.6f} {float(dose.realised_ml):>11.4f} "
            f"{float(dose.error_ml):>+10.4f}"
        )


def _print_list(compiled: Compiled, plans: list[Plan]) -> None:
    if plans:
        width = max(6, *(len(plan.recipe.name) for plan in plans))
        narrow = max(7, *(len(name) for name in compiled.serving_names))
        print(
            f"{'no.':>5}  {'recipe':<{width}}  {'serving':<{narrow}}  {'seconds':>9} {'edges':>6} "
            f"{'worst dose off by ml':>21}"
        )
    else:
        print("no recipe can be poured with what is loaded and measured")
    for plan in plans:
        worst = max((dose.error_ml for dose in plan.doses), key=abs)
        print(
            f"{plan.recipe.number:>5}  {plan.recipe.name:<{width}}  "
            f"{compiled.serving_names[plan.serving]:<{narrow}}  "
            f"{_seconds(compiled, plan.duration):>9.3f} {len(plan.edges):>6} {float(worst):>+21.4f}"
        )
    for name, reason in compiled.left_out:
        print(f"left out: {name} ({reason})")
