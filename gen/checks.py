"""Checks that look across tables and files. Each notes its problems in the file that has to be mended."""

from __future__ import annotations

from dosewright.gen.book import Book
from dosewright.gen.checks_doses import check_doses
from dosewright.gen.checks_machine import check_idle_buttons, check_machine
from dosewright.gen.checks_names import check_names
from dosewright.gen.checks_recipes import check_recipes
from dosewright.gen.checks_selectors import check_said, check_selectors
from dosewright.gen.checks_stock import check_calibration, check_loaded
from dosewright.gen.checks_wiring import check_wiring
from dosewright.gen.models.calibration import CalibrationFile
from dosewright.gen.models.loaded import LoadedFile
from dosewright.gen.models.machine import MachineFile
from dosewright.gen.models.recipes import RecipesFile
from dosewright.gen.source import Source


def across(
    machine: Source[MachineFile],
    recipes: Source[RecipesFile],
    loaded: Source[LoadedFile],
    calibration: Source[CalibrationFile],
    book: Book | None,
) -> None:
    """Run every check that has the models it needs."""
    check_names(machine, recipes)
    if machine.model:
        check_wiring(machine, machine.model)
        check_machine(machine, machine.model, recipes)
        check_selectors(machine, machine.model)
    if recipes.model:
        check_recipes(recipes, recipes.model, machine)
        if machine.model:
            check_said(machine, machine.model, recipes.model)
    if machine.raw and loaded.model:
        check_loaded(loaded, loaded.model, machine)
    if machine.raw and calibration.model:
        check_calibration(calibration, calibration.model, machine)
    if machine.model and recipes.model and loaded.model and calibration.model and book:
        check_doses(machine, recipes, loaded, calibration, book)
        check_idle_buttons(machine, machine.model, book)
