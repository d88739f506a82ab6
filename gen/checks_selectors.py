"""Checks of selectors: how many contacts, who follows them, and what they can say that nobody can pour."""

from __future__ import annotations

from collections.abc import Sequence

from dosewright.gen.book import numbers
from dosewright.gen.models.machine import MOST_BUTTONS, MOST_SELECTING, MachineFile, Selector
from dosewright.gen.models.recipes import RecipesFile
from dosewright.gen.source import Source, counted, shown


def check_selectors(source: Source[MachineFile], machine: MachineFile) -> None:
    """Whether there is room for their contacts, and one at most says each thing."""
    first: dict[str, str] = {}
    contacts = sum(len(selector.pins) for selector in machine.selector.values())
    if len(machine.button) + contacts > MOST_BUTTONS:
        found = f"{counted(len(machine.button), 'button')} and {counted(contacts, 'contact')}"
        remedy = "take some out, or number the recipes so that fewer contacts are enough"
        source.report(("selector",), found, f"at most {MOST_BUTTONS} in all", remedy, at_key=True)
    for name, selector in machine.selector.items():
        path = ("selector", name)
        if not source.sound(*path, "sets"):
            continue
        sets = selector.sets
        if sets in first:
            found = f"a second selector of the {sets}, after {first[sets]}"
            source.report((*path, "sets"), found, "at most one", "take one of the two out")
        first.setdefault(sets, name)
        most = MOST_SELECTING[sets]
        if len(selector.pins) > most:
            found, wanted = counted(len(selector.pins), "contact"), f"at most {most} for a {sets}"
            source.report((*path, "pins"), found, wanted, "take some out")
        if selector.positions is not None and selector.positions > 1 << len(selector.pins):
            found = f"{selector.positions} positions with {counted(len(selector.pins), 'contact')}"
            wanted = f"at most {1 << len(selector.pins)}"
            source.report((*path, "positions"), found, wanted, "add a contact, or lower it")
        follows = any(
            button.does == "pour" and getattr(button, sets) is None for button in machine.button.values()
        )
        if not follows and source.sound("button"):
            source.report(
                path,
                f"a selector of the {sets} that no button follows",
                f'a button with does = "pour" and no {sets} of its own',
                "add one, or the switch does nothing",
                warning=True,
                at_key=True,
            )


def check_said(source: Source[MachineFile], machine: MachineFile, recipes: RecipesFile) -> None:
    """What a selector can say and the controller then refuses; what nobody can say with it."""
    for name, selector in machine.selector.items():
        if not source.sound("selector", name):
            continue
        path = ("selector", name, "positions" if selector.given("positions") else "pins")
        what = selector.sets
        if what == "recipe":
            known = {number: shown(recipe) for recipe, number in numbers(recipes).items()}
        else:
            known = {index: shown(serving) for index, serving in enumerate(recipes.serving)}
        amiss = [code for code in selector.says if code not in known and (code or what == "serving")]
        if amiss:
            source.report(
                path,
                f"a switch that can say {_spans(amiss)}, which is no {what} of recipes.toml",
                f"a switch that says nothing but numbers of a {what}",
                "there a button that follows it does nothing; if the switch stops before, say how many "
                "positions it has: positions = ...",
                warning=True,
            )
        own = _with_a_button(machine, recipes, selector)
        missing = [code for code in known if code not in selector.says and code not in own]
        beyond = [f"{known[code]} ({code})" for code in missing]
        if beyond:
            more = f", and {len(beyond) - 5} more" if len(beyond) > 5 else ""
            lower = "give it a lower number" if what == "recipe" else "move it up in recipes.toml"
            source.report(
                path,
                f"a switch that cannot say {', '.join(beyond[:5])}{more}",
                f"a switch that can say each {what}; it reaches to {selector.says[-1]}",
                f"take one with more positions, {lower}, or pour it by a button of its own",
                warning=True,
            )


def _with_a_button(machine: MachineFile, recipes: RecipesFile, selector: Selector) -> set[int]:
    """The numbers (indices) that a button has of its own."""
    listed = list(recipes.serving)
    number_of = numbers(recipes)
    found: set[int] = set()
    for button in machine.button.values():
        if selector.sets == "serving" and button.serving in listed:
            found.add(listed.index(button.serving))
        elif selector.sets == "recipe" and button.recipe is not None:
            number = number_of.get(button.recipe, 0) if isinstance(button.recipe, str) else button.recipe
            found.add(number)
    return found


def _spans(codes: Sequence[int]) -> str:
    """``6 and 9 to 15``: ascending numbers, put together where they follow each other."""
    spans: list[list[int]] = []
    for code in codes:
        if spans and spans[-1][-1] == code - 1:
            spans[-1][1:] = [code]
        else:
            spans.append([code])
    words = [" to ".join(map(str, span)) for span in spans]
    if len(words) > 6:
        words = [*words[:5], f"{len(words) - 5} more such"]
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
