"""A project folder read, checked and put together."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from dosewright.gen import book as books
from dosewright.gen.files import read
from dosewright.gen.models.base import Table
from dosewright.gen.models.calibration import CalibrationFile
from dosewright.gen.models.loaded import LoadedFile
from dosewright.gen.models.machine import MachineFile
from dosewright.gen.models.recipes import RecipesFile
from dosewright.gen.problems import Problem, UserError
from dosewright.gen.project import Project
from dosewright.gen.source import Source
from dosewright.gen.targets import read as read_target

_AnySource = Source[MachineFile] | Source[RecipesFile] | Source[LoadedFile] | Source[CalibrationFile]
FILES: dict[str, type[Table]] = {
    "machine": MachineFile,
    "recipes": RecipesFile,
    "loaded": LoadedFile,
    "calibration": CalibrationFile,
}


def examine(folder: Path) -> tuple[Project | None, tuple[Problem, ...]]:
    """The project, or None if there are errors; and every problem of all files, sorted by position.

    Raises UserError where there is no folder.
    """
    # the checks are the heaviest import and the last to be needed
    from dosewright.gen import checks, checks_pours, checks_store

    if not folder.is_dir():
        found = "a file" if folder.exists() else "no such folder"
        raise UserError(
            f"{folder}: found {found}; wanted a project folder; dosewright new {folder} makes one"
        )

    machine = read(folder, "machine.toml", MachineFile)
    recipes = read(folder, "recipes.toml", RecipesFile)
    loaded = read(folder, "loaded.toml", LoadedFile, optional=True)
    calibration = read(folder, "calibration.toml", CalibrationFile, optional=True)
    book = None
    if machine.model and recipes.model and loaded.model and calibration.model:
        book = books.make(machine.model, recipes.model, loaded.model, calibration.model)
    checks.across(machine, recipes, loaded, calibration, book)
    sources: tuple[_AnySource, ...] = (machine, recipes, loaded, calibration)
    problems = _sorted(sources)
    if _mistakes(problems):
        return None, problems
    assert machine.model and recipes.model and loaded.model and calibration.model and book
    project = Project(
        machine=machine.model,
        recipes=recipes.model,
        loaded=loaded.model,
        calibration=calibration.model,
        target=read_target(machine.model.machine.target),
        numbers=books.numbers(recipes.model),
        book=book,
        problems=problems,
    )
    checks_pours.check_pours(machine, recipes, project)
    checks_store.check_store(recipes, project)
    problems = _sorted(sources)
    return None if _mistakes(problems) else project, problems


def _sorted(sources: Iterable[_AnySource]) -> tuple[Problem, ...]:
    return tuple(sorted(problem for source in sources for problem in source.problems))


def _mistakes(problems: Iterable[Problem]) -> bool:
    return any(not problem.warning for problem in problems)


def load(folder: Path) -> Project:
    """Read machine.toml, recipes.toml, loaded.toml and calibration.toml (the last two may be missing).

    Raises UserError with all problems of all files, sorted by position, when there is an error among them.
    """
    project, problems = examine(folder)
    if project is None:
        raise UserError(problems=problems)
    return project
