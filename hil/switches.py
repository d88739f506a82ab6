"""How a pour is asked for without a computer: which button, with every selector at which position."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from dosewright.gen.compiled import SELECTED_RECIPE, SELECTED_SERVING
from dosewright.gen.lower import Compiled
from dosewright.gen.project import Project


@dataclass(frozen=True, slots=True)
class Setting:
    """``button`` and ``contacts`` are indices of the machine's buttons.

    ``positions`` names the selectors that the button follows, each with the number it is to say, and
    ``contacts`` says of each of their contacts whether it is pressed then. Others may be as they are.
    """

    button: int
    name: str
    contacts: tuple[tuple[int, bool], ...]
    positions: tuple[tuple[str, int], ...]

    def __str__(self) -> str:
        return ", ".join([self.name, *(f"{selector} at {value}" for selector, value in self.positions)])


def settings(project: Project, compiled: Compiled, number: int, serving: int) -> Iterator[Setting]:
    """Every way to ask for that recipe at that serving: one for each button that can."""
    first = len(project.machine.button)
    for index, button in enumerate(compiled.machine.buttons[:first]):
        follows = {"recipe": button.recipe == SELECTED_RECIPE, "serving": button.serving == SELECTED_SERVING}
        own = (follows["recipe"] or button.recipe == number) and (
            follows["serving"] or button.serving == serving
        )
        if button.does != "pour" or not own:
            continue
        values = {"recipe": number, "serving": serving}
        contacts: list[tuple[int, bool]] = []
        positions: list[tuple[str, int]] = []
        at = first
        for name, selector in project.machine.selector.items():
            if follows[selector.sets]:
                value = values[selector.sets]
                if value not in selector.says:
                    break
                positions.append((name, value))
                contacts += [(at + bit, bool(value >> bit & 1)) for bit in range(len(selector.pins))]
            at += len(selector.pins)
        else:
            yield Setting(index, button.name, tuple(contacts), tuple(positions))
