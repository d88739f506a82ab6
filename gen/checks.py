"""Checks that look across tables and files. Each notes its problems in the file that has to be mended."""

from __future__ import annotations

from dosewright.gen.files import Source
from dosewright.gen.models.calibration import CalibrationFile
from dosewright.gen.models.loaded import LoadedFile
from dosewright.gen.models.machine import MachineFile
from dosewright.gen.models.recipes import RecipesFile


def across(
    machine: Source[MachineFile],
    recipes: Source[RecipesFile],
    loaded: Source[LoadedFile],
    calibration: Source[CalibrationFile],
) -> None:
    """Run every check that has the models it needs."""
