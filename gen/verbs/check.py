"""The verb ``check``: every mistake of a project, what can be poured, and what was left to the defaults."""

from __future__ import annotations

import argparse
import dataclasses
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dosewright.gen.problems import Exit, Problem

if TYPE_CHECKING:
    from dosewright.gen.project import Project

DESCRIPTION = (
    "Read a project folder (machine.toml, recipes.toml, loaded.toml, calibration.toml) and report every\n"
    "mistake at once, each with file, line, column, what was found, what is wanted and what to do.\n"
    "Then: what can be poured, what is left out and why, what to measure next.\n"
    "Exit code 1 when there is a mistake; warnings alone give 0."
)
EXAMPLE = "dosewright check my-cart --defaults"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "folder", type=Path, nargs="?", default=Path(), help="the project folder (default: here)"
    )
    parser.add_argument(
        "--defaults", action="store_true", help="show every default in force and the reason for it"
    )
    parser.add_argument("--json", action="store_true", help="print the report as JSON")


def run(arguments: argparse.Namespace) -> int:
    from dosewright.gen.load import examine

    project, problems = examine(arguments.folder)
    if arguments.json:
        print(json.dumps(_report(project, problems, arguments.defaults), indent=1, ensure_ascii=False))
    else:
        for problem in problems:
            print(problem)
        print("\n".join(_summary(project, problems)))
        if project and arguments.defaults:
            from dosewright.gen.defaults import defaults

            print("\nNot said in the files, so by default:")
            print("\n".join(map(str, defaults(project))))
    return Exit.DONE if project else Exit.FINDINGS


def _summary(project: Project | None, problems: tuple[Problem, ...]) -> list[str]:
    from dosewright.gen import units
    from dosewright.gen.source import counted

    mistakes = sum(not problem.warning for problem in problems)
    warnings = len(problems) - mistakes
    total = f"{counted(mistakes, 'mistake')}, {counted(warnings, 'warning')}"
    if project is None:
        return [f"{total}. Nothing is built from this folder until the mistakes are mended."]
    servings = ", ".join(f"{name} {units.ml(volume)}" for name, volume in project.recipes.serving.items())
    lines = [
        f"{project.machine.machine.name}: {total}.",
        f"Can be poured: {counted(len(project.book.recipes), 'recipe')}, each as {servings}."
        if project.book.recipes
        else "Can be poured: nothing yet.",
        *(f"  {item.number:>3}  {item.name}" for item in project.book.recipes),
    ]
    if project.left_out:
        lines.append("Left out:")
        lines += [f"  {name}: {reason}" for name, reason in project.left_out]
    unmeasured = _unmeasured(project)
    if unmeasured:
        lines.append(
            f"Measure next: channel {', '.join(unmeasured)}. "
            f"Run {'each' if len(unmeasured) > 1 else 'it'} for a known time, measure what comes, "
            "and write its rate into calibration.toml."
        )
    return lines


def _report(project: Project | None, problems: tuple[Problem, ...], with_defaults: bool) -> dict[str, Any]:
    report: dict[str, Any] = {"problems": [dataclasses.asdict(problem) for problem in problems]}
    if project is None:
        return report
    report["machine"] = project.machine.machine.name
    report["servings_ml"] = {name: float(volume) for name, volume in project.recipes.serving.items()}
    report["can_be_poured"] = [{"number": item.number, "name": item.name} for item in project.book.recipes]
    report["left_out"] = [{"name": name, "reason": reason} for name, reason in project.left_out]
    report["measure_next"] = _unmeasured(project)
    if with_defaults:
        from dosewright.gen.defaults import defaults

        report["defaults"] = [dataclasses.asdict(default) for default in defaults(project)]
    return report


def _unmeasured(project: Project) -> list[str]:
    return [name for name in project.machine.channel if name not in project.calibration.channel]
