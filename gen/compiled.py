"""What the compiler hands on: integers only, no units, no text to parse.

Everything downstream (twin, templates, plan) reads these and nothing of the input files. The words are those
of ``targets/engine/RULES.md``. Times are ticks, currents milliamperes, volumes quanta (2^-8 microlitre).
"""

from __future__ import annotations

from dataclasses import dataclass

QUANTA_PER_ML = 256_000
WEIGHT_MAX = 4095
WEIGHT_SUM_MAX = 65_535
STEPS_MAX = 64
SELECTED_RECIPE = 0  # in place of a number: what the contacts that are pressed add up to
SELECTED_SERVING = 255  # in place of an index, likewise
STEPS_MORE = 2  # than outputs, so many steps a recipe may have more: a stage can occur more than once


def steps_max(outputs: int) -> int:
    """Steps of the longest recipe that the firmware of a machine with so many outputs can pour."""
    return min(STEPS_MAX, outputs + STEPS_MORE)


@dataclass(frozen=True, slots=True)
class Pin:
    """A pin: its name on the board, port and bit of the target, the level that means on or closed.

    ``number`` is what board libraries call it (255: no number).
    """

    name: str
    port: int
    bit: int
    active_high: bool
    number: int = 255


@dataclass(frozen=True, slots=True)
class Output:
    """A channel, or a stage (``is_stage``); a stage without a pin is a timed wait."""

    name: str
    pin: Pin | None
    current: int
    group: int  # 0: none, else 1-based into CompiledMachine.groups
    max_on: int
    needs: int  # interlock mask while it runs; for a channel: all that are needed while pouring
    is_stage: bool = False
    stays_on: bool = False  # in a pause
    jog_limit: int = 0


@dataclass(frozen=True, slots=True)
class Group:
    name: str
    dead_time: int


@dataclass(frozen=True, slots=True)
class Interlock:
    name: str
    pin: Pin
    debounce: int  # samples, >= 1
    to_start: bool
    while_pouring: bool
    always: bool
    aborts: bool  # its loss aborts; otherwise it pauses
    goes_on: bool  # by itself when it returns


@dataclass(frozen=True, slots=True)
class Button:
    name: str
    pin: Pin
    debounce: int
    does: str  # "pour", "go on", "stop" or "select"
    recipe: int = 0  # of one that pours: the number, or SELECTED_RECIPE; of one that selects: what it counts
    serving: int = 0  # likewise: the index, or SELECTED_SERVING; what it counts


@dataclass(frozen=True, slots=True)
class Rate:
    """Ticks per quantum as m * 2^-(32+s); m = 0: not measured."""

    m: int
    s: int


@dataclass(frozen=True, slots=True)
class Calibration:
    rate: Rate
    offset: int  # quanta


@dataclass(frozen=True, slots=True)
class RateRange:
    """Plausible calibrations of a channel."""

    slowest: Rate
    fastest: Rate


@dataclass(frozen=True, slots=True)
class CompiledMachine:
    name: str
    tick_us: int
    channels: int  # the first so many outputs
    outputs: tuple[Output, ...]
    groups: tuple[Group, ...]
    interlocks: tuple[Interlock, ...]
    buttons: tuple[Button, ...]  # the contacts of selectors behind all others
    plausible: tuple[RateRange, ...]  # one a channel
    supply: int
    inrush_gap: int
    pour_limit: int
    pause_limit: int
    link_limit: int  # 0: none
    jog_renewal: int
    vessel: int
    vessel_interlock: int | None  # index of the one that detects the vessel

    @property
    def stages(self) -> int:
        """The outputs behind the channels."""
        return len(self.outputs) - self.channels


@dataclass(frozen=True, slots=True)
class Dose:
    output: int
    weight: int
    after_all: bool = False


@dataclass(frozen=True, slots=True)
class Stage:
    output: int
    ticks: int
    after_all: bool = False


Step = Dose | Stage


@dataclass(frozen=True, slots=True)
class CompiledRecipe:
    number: int
    name: str
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class RecipeTable:
    servings: tuple[int, ...]  # quanta
    recipes: tuple[CompiledRecipe, ...]  # by ascending number


@dataclass(frozen=True, slots=True)
class CalibrationTable:
    unit: str
    channels: tuple[Calibration, ...]  # one a channel of the machine
