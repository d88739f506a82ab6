"""A project without mistakes, as everything above the checks takes it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dosewright.gen.book import Book
from dosewright.gen.models.calibration import CalibrationFile
from dosewright.gen.models.loaded import LoadedFile
from dosewright.gen.models.machine import MachineFile
from dosewright.gen.models.recipes import RecipesFile
from dosewright.gen.problems import Problem
from dosewright.gen.targets import Target


@dataclass(frozen=True, slots=True)
class Project:
    """Everything of one project folder, without mistakes. ``problems`` are warnings."""

    machine: MachineFile
    recipes: RecipesFile
    loaded: LoadedFile
    calibration: CalibrationFile
    target: Target
    numbers: Mapping[str, int]  # recipe name -> number, those left out too
    book: Book
    problems: tuple[Problem, ...]

    @property
    def left_out(self) -> tuple[tuple[str, str], ...]:
        """Recipes that cannot be poured, each with the reason."""
        return self.book.left_out
