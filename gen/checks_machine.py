"""Checks inside machine.toml that are no matter of wires: names, currents, times, rates."""

from __future__ import annotations

from fractions import Fraction
from math import ceil

from dosewright.gen import arithmetic, units
from dosewright.gen.book import Book, numbers
from dosewright.gen.compiled import QUANTA_PER_ML
from dosewright.gen.models.machine import MOST_CURRENT, MOST_OUTPUTS, Channel, MachineFile
from dosewright.gen.models.recipes import RecipesFile
from dosewright.gen.source import Source, dotted, near, shown

HORIZON = 1 << 31  # ticks: no duration may reach it
WAIT_MAX = (1 << 16) - 1  # ticks of a wait between starts


def check_machine(source: Source[MachineFile], machine: MachineFile, recipes: Source[RecipesFile]) -> None:
    """Everything that can be wrong inside the machine."""
    _outputs(source, machine)
    _supply(source, machine)
    _times(source, machine)
    for name, channel in machine.channel.items():
        _not_yet(source, name, channel)
        _rates(source, name, channel, machine.machine.tick)
    _interlocks(source, machine)
    _buttons(source, machine, recipes)


def _outputs(source: Source[MachineFile], machine: MachineFile) -> None:
    outputs = len(machine.channel) + len(machine.stage)
    if outputs > MOST_OUTPUTS:
        found = f"{outputs} channels and stages"
        source.report(("stage",), found, f"at most {MOST_OUTPUTS}", "take some out", at_key=True)
    groups, locks = source.names("group"), source.names("interlock")
    for kind, tables in (("channel", machine.channel), ("stage", machine.stage)):
        for name, output in tables.items():
            if output.group is not None and output.group not in groups:
                remedy = near(output.group, groups, f"add a table [{dotted(('group', output.group))}]")
                source.report(
                    (kind, name, "group"), f"the group {shown(output.group)}", "a group of this file", remedy
                )
    for name, stage in machine.stage.items():
        for index, lock in enumerate(stage.needs):
            if lock not in locks:
                found, remedy = f"the interlock {shown(lock)}", near(lock, locks, "add it as an interlock")
                source.report(("stage", name, "needs", index), found, "an interlock of this file", remedy)


def _supply(source: Source[MachineFile], machine: MachineFile) -> None:
    supply = machine.machine.supply
    draws = [(f"channel {name}", item.current) for name, item in machine.channel.items()]
    draws += [(f"stage {name}", item.current) for name, item in machine.stage.items()]
    greedy, most = max(draws, key=lambda draw: draw[1])
    if supply < most:
        source.report(
            ("machine", "supply"),
            f"a supply of {units.amperes(supply)}",
            f"at least {units.amperes(most)}, which {greedy} draws alone",
            "correct the supply or the current; if both are right, the supply is too small",
        )
    if supply > MOST_CURRENT:
        found = f"{units.amperes(supply)}, the sum of all outputs"
        wanted = f"at most {units.amperes(MOST_CURRENT)}"
        source.report(("machine", "supply"), found, wanted, "say what the supply gives: supply = ...")


def _times(source: Source[MachineFile], machine: MachineFile) -> None:
    general = machine.machine
    longest = HORIZON * general.tick
    if general.pour_limit >= longest:
        found = units.seconds(general.pour_limit)
        source.report(
            ("machine", "pour_limit"), found, f"less than {units.seconds(longest)}", "set a pour_limit"
        )
    waits = {("group", name, "dead_time"): group.dead_time for name, group in machine.group.items()}
    for path, wait in ({("machine", "inrush_gap"): general.inrush_gap} | waits).items():
        if wait > WAIT_MAX * general.tick:
            found, wanted = units.seconds(wait), f"at most {units.seconds(WAIT_MAX * general.tick)}"
            source.report(path, found, wanted, "make it shorter, or choose a longer tick")
    if general.vessel * QUANTA_PER_ML > arithmetic.SERVING_MAX:
        most = Fraction(arithmetic.SERVING_MAX, QUANTA_PER_ML)
        found = f"a vessel of {units.ml(general.vessel)}"
        source.report(("machine", "vessel"), found, f"at most {units.ml(most)}", "pour into a smaller one")
    for name, channel in machine.channel.items():
        if channel.max_on >= longest:
            found, wanted = units.seconds(channel.max_on), f"less than {units.seconds(longest)}"
            source.report(("channel", name, "max_on"), found, wanted, "set a max_on")
        elif channel.min_on > channel.max_on:
            found = f"a min_on of {units.seconds(channel.min_on)}"
            wanted = f"at most max_on, {units.seconds(channel.max_on)}"
            field = "min_on" if channel.given("min_on") else "max_on"
            source.report(
                ("channel", name, field),
                found,
                wanted,
                "no dose could ever be poured; correct one of the two",
            )


def _not_yet(source: Source[MachineFile], name: str, channel: Channel) -> None:
    wanted, remedy = (
        "a pump, metered by time",
        "other kinds are not there yet; leave this channel out for now",
    )
    if channel.actuator not in ("peristaltic pump", "diaphragm pump"):
        source.report(("channel", name, "actuator"), f"a {channel.actuator}", wanted, remedy)
    elif channel.feed != "pump":
        source.report(("channel", name, "feed"), f"a feed by {channel.feed}", wanted, remedy)
    if channel.metering != "time":
        source.report(("channel", name, "metering"), f"metering by {channel.metering}", wanted, remedy)


def _rates(source: Source[MachineFile], name: str, channel: Channel, tick: Fraction) -> None:
    """The promise of one tick must hold at both ends of the plausible rates."""
    tick_us, path = ceil(tick * 1_000_000), ("channel", name, "plausible_rate")
    for rate in channel.plausible_rate:
        shown_rate = units.ml_per_min(rate)
        try:
            arithmetic.rate(rate, tick_us)
            off = arithmetic.worst_error_ticks(rate, tick_us, ceil(channel.max_on / tick))
        except ValueError:
            source.report(path, shown_rate, "a rate that the controller's integers can hold", _OTHER_RATE)
            return
        if off > 1:
            found = f"{shown_rate}, at which a dose could be {float(off):.3g} ticks off"
            source.report(path, found, "a rate at which no dose is more than 1 tick off", _OTHER_RATE)
            return


_OTHER_RATE = "narrow plausible_rate to what the line can do; for a very slow one choose a longer tick"


def _interlocks(source: Source[MachineFile], machine: MachineFile) -> None:
    named = {lock for stage in machine.stage.values() for lock in stage.needs}
    seeing: str | None = None
    for name, lock in machine.interlock.items():
        if (lock.needed == "to start") != (lock.on_loss == "refuse"):
            source.report(
                ("interlock", name, "on_loss" if lock.given("on_loss") else "needed"),
                f'needed = "{lock.needed}" with on_loss = "{lock.on_loss}"',
                '"refuse" with "to start", "pause" or "abort" with the others',
                "leave on_loss out, or change when it is needed",
            )
        if lock.needed == "by stages" and name not in named:
            found, wanted = "an interlock that no stage names", "a stage whose needs have it"
            source.report(("interlock", name, "needed"), found, wanted, "it is never looked at", warning=True)
        if lock.detects == "vessel":
            if seeing is not None:
                found, wanted = f"a second one that sees the vessel, after {seeing}", "at most one"
                source.report(("interlock", name, "detects"), found, wanted, "take it out here")
            seeing = seeing or name


def _buttons(source: Source[MachineFile], machine: MachineFile, recipes: Source[RecipesFile]) -> None:
    for name, button in machine.button.items():
        path = ("button", name)
        if not source.sound(*path, "does"):
            continue
        for field in ("recipe", "serving"):
            value = getattr(button, field)
            if button.does == "pour" and value is None and source.sound(*path, field):
                if not _selected(source, machine, field):
                    remedy = f'add {field} = ..., or a table [selector.NAME] with sets = "{field}"'
                    source.report(path, f"no {field}", f"the {field} it pours", remedy, at_key=True)
            elif button.does != "pour" and value is not None:
                found, wanted = f"a {field} for a button that does not pour", f"no {field}"
                source.report((*path, field), found, wanted, 'take it out, or write does = "pour"')
        if button.does == "pour" and recipes.model is not None:
            _pours(source, path, button.recipe, button.serving, recipes, recipes.model)


def _selected(source: Source[MachineFile], machine: MachineFile, field: str) -> bool:
    """Whether a selector says it; so too where there is one that was not understood."""
    unclear = not source.sound("selector") or len(source.names("selector")) > len(machine.selector)
    return unclear or any(selector.sets == field for selector in machine.selector.values())


def _pours(
    source: Source[MachineFile],
    path: tuple[str, str],
    recipe: str | int | None,
    serving: str | None,
    recipes: Source[RecipesFile],
    book: RecipesFile,
) -> None:
    servings, names = recipes.names("serving"), recipes.names("recipe")
    if serving is not None and serving not in servings:
        remedy = near(serving, servings, "choose another")
        source.report(
            (*path, "serving"), f"the serving {shown(serving)}", "a serving of recipes.toml", remedy
        )
    where, wanted = (*path, "recipe"), "a recipe of recipes.toml"
    if isinstance(recipe, str) and recipe not in names:
        source.report(where, f"the recipe {shown(recipe)}", wanted, near(recipe, names, "choose another"))
    elif isinstance(recipe, str) and recipe in book.recipe and book.recipe[recipe].number is None:
        source.report(
            where,
            f"the recipe {shown(recipe)}, which has no number of its own",
            "a recipe with a number",
            "give it one: the button keeps the number it was built with, and others would shift it",
            warning=True,
        )
    elif isinstance(recipe, int) and not isinstance(recipe, bool):
        known = set(numbers(book).values())
        if recipe not in known:
            source.report(
                where, f"the recipe number {shown(recipe)}", wanted, "see dosewright check for the numbers"
            )


def check_idle_buttons(source: Source[MachineFile], machine: MachineFile, book: Book) -> None:
    """A button whose recipe is left out is refused by the controller."""
    reasons = dict(book.left_out)
    for name, button in machine.button.items():
        if isinstance(button.recipe, str) and button.recipe in reasons:
            source.report(
                ("button", name, "recipe"),
                f"the recipe {shown(button.recipe)}, which is left out ({reasons[button.recipe]})",
                "a recipe that can be poured",
                "until then nothing happens when it is pressed",
                warning=True,
            )
