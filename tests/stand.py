"""The example project, and a machine with every reaction of an interlock."""

from __future__ import annotations

from pathlib import Path

from dosewright.gen.load import load
from dosewright.gen.lower import lower
from dosewright.hil.verdicts import Court

EXAMPLE = Path(__file__).parents[1] / "examples" / "soda-cart"

# Every reaction (refuse, pause, abort), going on by itself or not, a stage that needs its own interlock, one
# that stays on in a pause, an output that is on at low, a negative offset, a group, and a supply that lets
# two run.
EVERY_REACTION = {
    "machine.toml": """
[machine]
name = "Test stand"
target = "atmega328p"
vessel = "100 ml"
supply = "1.7 A"
inrush_gap = "20 ms"
pause_limit = "2 s"

[channel]
A = { pin = "D4", actuator = "peristaltic pump", current = "0.8 A", group = "manifold" }
B = { pin = "D5", actuator = "peristaltic pump", current = "0.8 A", group = "manifold", on_when = "low" }
C = { pin = "D6", actuator = "peristaltic pump", current = "0.8 A" }

[group.manifold]
dead_time = "90 ms"

[stage.lamp]
pin = "D7"
current = "0.02 A"
stays_on_in_pause = true

[stage.stirrer]
pin = "D8"
current = "0.1 A"
needs = ["lid"]

[interlock]
vessel = { pin = "A0", detects = "vessel", on_loss = "pause", on_return = "go on", debounce = "5 ms" }
water = { pin = "A1", needed = "to start", on_loss = "refuse" }
guard = { pin = "A2", on_loss = "abort" }
permit = { pin = "A3", on_loss = "pause", debounce = "1 ms" }
stop = { pin = "A4", needed = "always", on_loss = "abort" }
lid = { pin = "A5", needed = "by stages", on_loss = "pause" }
""",
    "recipes.toml": """
[serving]
small = "12 ml"
large = "24 ml"

[recipe.Everything]
parts = { one = 3, two = 2, three = 2 }
stages = [
  { stage = "lamp", when = "during", time = "3 s" },
  { stage = "stirrer", when = "after", time = "1 s" },
]

[recipe.Apart]
parts = { one = 2, two = 1 }
stages = [{ stage = "stirrer", when = "before", time = "0.5 s" }]
""",
    "loaded.toml": """
A = { liquid = "one" }
B = { liquid = "two" }
C = { liquid = "three" }
""",
    "calibration.toml": """
[channel]
A = { rate = "120 ml/min", offset = "0.1 ml" }
B = { rate = "100 ml/min", offset = "-0.05 ml" }
C = { rate = "90 ml/min" }
""",
}


def write_project(folder: Path, files: dict[str, str]) -> Path:
    """A project folder from the texts of its files."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def court_of(folder: Path) -> Court:
    project = load(folder)
    return Court.of(project, lower(project))
