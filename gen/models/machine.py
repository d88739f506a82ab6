"""machine.toml: what is wired, to what, within which limits."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Literal

from pydantic import Field, model_validator

from dosewright.gen import units
from dosewright.gen.models.base import (
    Current,
    Debounce,
    FluidOunce,
    LinkTime,
    Name,
    NoTime,
    Percent,
    RateSpan,
    Span,
    Table,
    Time,
    Volume,
    Wait,
    needed,
    setting,
)

MOST_CHANNELS = 64
MOST_STAGES = 16
MOST_OUTPUTS = 64  # channels and stages together
MOST_INTERLOCKS = 16
MOST_BUTTONS = 16  # with the contacts of selectors
MOST_SELECTING = {"recipe": 15, "serving": 4}  # contacts: a button must be left, and there are 16 servings
MOST_CURRENT = Fraction(65)  # amperes: two bytes of milliamperes on the controller

Level = Literal["high", "low"]
Pull = Literal["up", "down"]
Actuator = Literal["peristaltic pump", "diaphragm pump", "solenoid valve", "ball valve"]
Feed = Literal["pump", "gravity", "pressure"]


def _span(slowest: str, fastest: str) -> RateSpan:
    return RateSpan(units.parse(slowest, units.RATE), units.parse(fastest, units.RATE))


# Usual values of small 12 V hardware: common practice, no source.
_FEED: dict[str, Feed] = {
    "peristaltic pump": "pump",
    "diaphragm pump": "pump",
    "solenoid valve": "gravity",
    "ball valve": "gravity",
}
_CURRENT = {
    "peristaltic pump": Fraction(1),
    "diaphragm pump": Fraction(2),
    "solenoid valve": Fraction(1),
    "ball valve": Fraction(1),
}
_RATE = {
    "peristaltic pump": _span("20 ml/min", "200 ml/min"),
    "diaphragm pump": _span("100 ml/min", "3 l/min"),
    "solenoid valve": _span("100 ml/min", "6 l/min"),
    "ball valve": _span("100 ml/min", "6 l/min"),
}


class General(Table):
    """The machine as a whole."""

    name: Name = needed("What the machine is called.", "Quayside soda cart", stand_in="?")
    target: str = needed("The controller it is built for, such as atmega328p.", "atmega328p", stand_in="")
    vessel: Volume = needed(
        "The largest vessel under the outlet; nothing larger is ever poured. A plain number is ml.",
        "400 ml",
        stand_in="15 l",
    )
    fluid_ounce: FluidOunce | None = setting(
        None,
        'What a bare "fl oz", gill, pint, quart or gallon means in this file: "us" or "imperial".',
        "nothing is assumed: the two differ by four percent",
    )
    supply: Current = setting(
        None,
        "The current that outputs may draw together; what does not fit waits. A plain number is A.",
        "the sum of all outputs: without a figure nothing is held back, so give one if the supply is smaller",
    )
    inrush_gap: Wait = setting(
        "50 ms",
        "The least time between the starts of two outputs. A plain number is s.",
        "a small motor draws several times its current for some tens of ms (common practice, no source)",
    )
    tick: Time = setting(
        "1 ms", "The time unit of the controller. A plain number is s.", "what every target can do"
    )
    pour_limit: Time = setting(
        None,
        "A pour that lasts longer, pauses left out, is aborted. A plain number is s.",
        "the whole vessel through the slowest channel, every stage at its max_on, all gaps and dead times",
    )
    pause_limit: Time = setting(
        "10 s",
        "A pause that lasts longer aborts the pour. A plain number is s.",
        "long enough to put a vessel back, short enough that nobody forgets the pour",
    )
    link_limit: LinkTime | None = setting(
        None,
        "A pour that a computer asked for is aborted when nothing was heard of the computer for so long, "
        "at least 2 s, since it repeats for more than a second what was not answered. A plain number is s.",
        "the pour goes on without the computer: the controller needs none to end it",
    )
    tolerance: Percent = setting(
        "5 %",
        "How far a dose may be off before check warns. A plain number is percent.",
        "a twentieth of an ingredient is hardly tasted (common practice, no source)",
    )


class Channel(Table):
    """One metered line: reservoir, tube, actuator, outlet."""

    pin: str = needed("The pin that switches the actuator, by its name on the board.", "D4", stand_in="")
    actuator: Actuator = needed(
        "What starts and stops the flow.", "peristaltic pump", stand_in="peristaltic pump"
    )
    on_when: Level = setting(
        "high", "The level of the pin that switches it on.", "a MOSFET or driver is on at high"
    )
    pull: Pull = setting(
        None,
        "Where the external resistor pulls the pin while the controller resets and the pin floats.",
        "the side that holds the output off; put the resistor in, the controller cannot do it for you",
    )
    current: Current = setting(
        None,
        "What the actuator draws while on. A plain number is A.",
        "on the high side for small 12 V hardware of that kind (common practice, no source)",
    )
    feed: Feed = setting(
        None,
        "What pushes the liquid.",
        "a pump pushes at a constant rate; behind a valve it is mostly gravity",
    )
    metering: Literal["time", "pulses"] = setting("time", "How an amount is measured.", "needs no sensor")
    reservoir: Volume | None = setting(
        None, "How much the full reservoir holds. A plain number is ml.", "not known: then it is not checked"
    )
    plausible_rate: Span = setting(
        None,
        "The slowest and fastest rate that may be right; the controller refuses a calibration outside.",
        "usual for small hardware (common practice, no source); narrow it to catch slips earlier",
    )
    max_on: Time = setting(
        None,
        "The controller switches it off after so long in one pour, whatever happens. A plain number is s.",
        "the whole vessel at the slowest plausible rate: no dose that is right ever takes longer",
    )
    min_on: NoTime = setting(
        "100 ms",
        "The shortest on-time that still meters; a dose below it is refused. A plain number is s.",
        "below it start and run-on outweigh the flow itself (common practice, no source)",
    )
    group: str | None = setting(
        None, "The group it belongs to: of a group one output is on at a time.", "it shares nothing"
    )
    tolerance: Percent | None = setting(
        None, "How far a dose of this channel may be off. A plain number is percent.", "that of the machine"
    )


class Group(Table):
    """Outputs that share a manifold or an air line: one is on at a time."""

    dead_time: Wait = setting(
        "0 s",
        "How long after one has gone off the next may go on. A plain number is s.",
        "one tick is always kept; liquid that has to run out first needs more",
    )


class Interlock(Table):
    """A condition at an input that must hold: vessel present, guard closed, stop button not pressed."""

    pin: str = needed("The pin of the switch, by its name on the board.", "A0", stand_in="")
    closed_when: Level = setting(
        "low", "The level that means closed (good).", "a switch from the pin to ground"
    )
    pull: Pull = setting(
        "up",
        'Where the pin is pulled: "up" inside the controller, "down" by a resistor of yours.',
        "no part needed, and with a switch to ground a broken wire reads as open",
    )
    broken_wire: Literal["refused", "acknowledged"] = setting(
        "refused",
        'Write "acknowledged" if you accept that a broken wire reads as closed.',
        "a broken wire should stop a pour, not hide that nobody is watching",
    )
    debounce: Debounce = setting(
        "20 ms",
        "How long a new level must last before it counts. A plain number is s.",
        "most switches bounce for less than 7 ms (J. Ganssle, A Guide to Debouncing)",
    )
    needed: Literal["to start", "while pouring", "always", "by stages"] = setting(
        "while pouring",
        "When it must be closed; by stages: only while a stage runs that names it.",
        "what most switches are for: nothing pours without the vessel",
    )
    on_loss: Literal["refuse", "pause", "abort"] = setting(
        None,
        "What follows when it opens in a pour; refuse: nothing, only the next pour is refused.",
        "pause, so that a pour can go on; refuse where it is needed to start only",
    )
    on_return: Literal["wait", "go on"] = setting(
        "wait",
        "What follows when it closes again in a pause.",
        "going on is a deliberate act: somebody may have a hand in the machine",
    )
    detects: Literal["vessel"] | None = setting(
        None,
        "Says that this one sees the vessel; then a next pour needs it gone and back.",
        "not assumed from a name",
    )


class Contact(Table):
    """What a button and the contacts of a selector have in common."""

    pressed_when: Level = setting(
        "low", "The level that means pressed (switched on).", "a contact from the pin to ground"
    )
    pull: Pull = setting(
        "up",
        'Where the pin is pulled: "up" inside the controller, "down" by a resistor of yours.',
        "no part needed, and with a contact to ground a broken wire reads as not pressed",
    )
    debounce: Debounce = setting(
        "20 ms",
        "How long a new level must last before it counts. A plain number is s.",
        "most switches bounce for less than 7 ms (J. Ganssle, A Guide to Debouncing)",
    )


class Button(Contact):
    """A push button or switch that asks for something."""

    pin: str = needed("The pin of the button, by its name on the board.", "A3", stand_in="")
    does: Literal["pour", "go on", "stop"] = needed("What a press asks for.", "pour", stand_in="stop")
    recipe: str | int | None = setting(
        None,
        "The recipe it pours, by name or number.",
        "what the selector of recipes says; only a button that pours has one",
    )
    serving: str | None = setting(
        None,
        "The serving it pours.",
        "what the selector of servings says; only a button that pours has one",
    )


class Selector(Contact):
    """A switch that says what the buttons pour: a coded rotary switch, a row of toggle switches, or one."""

    pins: Annotated[list[str], Field(min_length=1)] = needed(
        "The pins of its contacts; while pressed they count 1, 2, 4, 8 and so on, the first one 1.",
        ["A1", "A2"],
        stand_in=[""],
    )
    sets: Literal["recipe", "serving"] = needed(
        "What the sum of its pressed contacts is: the number of a recipe, or which serving of recipes.toml, "
        "0 for the first one.",
        "recipe",
        stand_in="recipe",
    )
    positions: Annotated[int, Field(ge=2, le=1 << 15)] | None = setting(
        None, "How many positions the switch has, the first of which says 0.", "all that its contacts can say"
    )

    @property
    def says(self) -> range:
        """The numbers it can say."""
        return range(self.positions or 1 << len(self.pins))


class Stage(Table):
    """A timed step that is no dose: stir, hold, a lamp."""

    pin: str | None = setting(None, "The pin it switches, by its name on the board.", "a plain wait")
    on_when: Level = setting(
        "high", "The level of the pin that switches it on.", "a MOSFET or driver is on at high"
    )
    pull: Pull = setting(
        None,
        "Where the external resistor pulls the pin while the controller resets and the pin floats.",
        "the side that holds the output off",
    )
    current: Current = setting(
        None,
        "What it draws while on. A plain number is A.",
        "half an ampere for a small motor or magnet (common practice, no source); nothing without a pin",
    )
    stays_on_in_pause: bool = setting(
        False, "Whether a pause leaves it on.", "a pause switches everything off"
    )
    needs: list[str] = setting([], "The interlocks that must be closed while it runs.", "it needs none")
    max_on: Time = setting(
        "60 s",
        "The longest it may run at one go; the controller switches it off after that. A plain number is s.",
        "longer than one stirs a drink, short enough for a small motor",
    )
    group: str | None = setting(
        None, "The group it belongs to: of a group one output is on at a time.", "it shares nothing"
    )


class MachineFile(Table):
    """The hardware of one machine: channels, interlocks, buttons, selectors, stages, limits."""

    machine: General = needed(
        "Name, target, vessel, and limits of the whole.",
        {"name": "..."},
        stand_in={"name": "?", "target": "", "vessel": "15 l"},
    )
    channel: dict[Name, Channel] = Field(
        description="The metered lines, by name; doses of equal size are poured in this order.",
        min_length=1,
        max_length=MOST_CHANNELS,
    )
    group: dict[Name, Group] = Field({}, description="Groups of outputs that share something, by name.")
    interlock: dict[Name, Interlock] = Field(
        {}, description="Conditions at inputs, by name.", max_length=MOST_INTERLOCKS
    )
    button: dict[Name, Button] = Field({}, description="Buttons, by name.", max_length=MOST_BUTTONS)
    selector: dict[Name, Selector] = Field(
        {}, description="Switches that say which recipe or serving the buttons pour, by name.", max_length=2
    )
    stage: dict[Name, Stage] = Field(
        {}, description="Steps that are no doses, by name.", max_length=MOST_STAGES
    )

    @model_validator(mode="after")
    def _defaults(self) -> MachineFile:
        """Fill in what follows from other fields; the reasons stand beside the fields."""
        for lock in self.interlock.values():
            lock._settle(on_loss="refuse" if lock.needed == "to start" else "pause")
        for stage in self.stage.values():
            stage._settle(pull=_off(stage.on_when), current=Fraction(1, 2) if stage.pin else Fraction(0))
        for channel in self.channel.values():
            channel._settle(
                pull=_off(channel.on_when),
                current=_CURRENT[channel.actuator],
                feed=_FEED[channel.actuator],
                plausible_rate=_RATE[channel.actuator],
            )
            channel._settle(max_on=self.machine.vessel / channel.plausible_rate.slowest)
        outputs: list[Channel | Stage] = [*self.channel.values(), *self.stage.values()]
        dead = max((group.dead_time for group in self.group.values()), default=Fraction(0))
        slowest = min(channel.plausible_rate.slowest for channel in self.channel.values())
        self.machine._settle(
            supply=sum((output.current for output in outputs), Fraction(0)),
            pour_limit=self.machine.vessel / slowest
            + sum((stage.max_on for stage in self.stage.values()), Fraction(0))
            + len(outputs) * (self.machine.inrush_gap + dead + self.machine.tick),
        )
        return self


def _off(on_when: Level) -> Pull:
    return "down" if on_when == "high" else "up"
