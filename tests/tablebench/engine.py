"""The engine's own table and reader on the same sets: bytes, and cycles on the ATmega328P.

    cd tests && python -m tablebench.engine

prints a line for program memory and one for the EEPROM: at -Os, as the other readers are measured, and with
the flags of the target, which make the firmware small and its functions slow to enter.
"""

from __future__ import annotations

import itertools
import subprocess
import sys
import tempfile
import tomllib
from dataclasses import dataclass
from pathlib import Path

from dosewright.gen.compact import HEAD
from dosewright.gen.compiled import CompiledRecipe, Dose, RecipeTable, Stage
from dosewright.gen.table import encode_recipes
from tablebench.measure import AVR, FLAGS, INSTALL, answers, build_runner, code_size, tools_missing
from tablebench.sets import Recipe, RecipeSet, stored

TARGETS = Path(__file__).parents[2] / "targets"
_BUILD = tomllib.loads((TARGETS / "atmega328p/target.toml").read_text())["build"]
# Linked as a whole the reader could not be told from what calls it.
AS_BUILT = tuple(flag for flag in _BUILD["flags"] if flag not in ("-flto", "-fstack-usage", "-Wconversion"))
AT_OS = (*FLAGS, "-mrelax")
TENTH = 100  # ticks
FIRST_WAITS, LAST_WAITS, CLOSING = 1, 2, 4
STEPS_MAX = 24
RECORD = 20  # bytes of a record around its body
SERVING = 38_400_000  # quanta; one serving
READER = "dw_recipes_read|dw_recipe_steps|avr_store_next"
BESIDE = "dw_long_recipe_steps|dw_recipes_index|dw_recipes_serving|dw_recipes_unit|dw_read16|dw_read32"


@dataclass(frozen=True)
class EngineResult:
    """What the reader costs on one set; ``fields`` are the bytes without what the sets do not have."""

    body: int
    fields: int
    code: int  # bytes of what finds and reads a recipe of the sets
    beside: int  # of what reads what the sets do not have: long recipes, listed numbers, servings
    stack: int
    cycles: tuple[int, ...]
    recipes: tuple[Recipe | None, ...]

    @property
    def mean(self) -> float:
        return sum(self.cycles) / len(self.cycles)


def as_poured(recipe: Recipe) -> Recipe:
    """In pour order, with what an engine can do: a closing stage needs a stage, and whether an order was
    given is to be seen from it."""
    poured = recipe.in_pour_order()
    flags = poured.flags & 7 if poured.stages else poured.flags & 3
    return Recipe(poured.doses, False, poured.stages, flags)


def table(recipes: RecipeSet) -> RecipeTable:
    """The set as the compiler would hand it on, its flags as the marks of after_all."""
    return RecipeTable(
        (SERVING,),
        tuple(
            _compiled(as_poured(r), number, recipes.channels) for number, r in enumerate(recipes.recipes, 1)
        ),
    )


def _compiled(recipe: Recipe, number: int, channels: int) -> CompiledRecipe:
    stages = [Stage(channels + kind, tenths * TENTH) for kind, tenths in recipe.stages]
    last = len(recipe.doses) - 1
    doses = [
        Dose(
            channel,
            weight,
            bool(
                (recipe.flags & FIRST_WAITS and place == 0) or (recipe.flags & LAST_WAITS and place == last)
            ),
        )
        for place, (channel, weight) in enumerate(recipe.doses)
    ]
    closing = [Stage(stages[-1].output, stages[-1].ticks, True)] if recipe.flags & CLOSING else []
    return CompiledRecipe(number, "", (*stages[: len(stages) - len(closing)], *doses, *closing))


def measure(
    recipes: RecipeSet, runner: Path, from_store: bool = False, flags: tuple[str, ...] = AT_OS
) -> EngineResult:
    """Build the engine's reader with this set's record, run it, take the answers apart."""
    record = encode_recipes(table(recipes), 0, recipes.channels, recipes.stages)
    body = len(record) - RECORD
    text = f"""#include "dw_target.h"
#define TABLE_RECIPES {len(recipes.recipes)}
#define TABLE_CHANNELS {recipes.channels}
#define RECORD_LENGTH {len(record)}
#define RECORD_BYTES {{{", ".join(map(str, record))}}}
static const uint8_t dw_default_recipes[RECORD_LENGTH] DW_ROM = RECORD_BYTES;
static const uint8_t dw_default_calibration[1] DW_ROM = {{0}};
"""
    machine = f"""#define DW_MACHINE_FORMAT 2
#include "dw_machine.h"
#define DW_CHANNELS {recipes.channels}
#define DW_OUTPUTS {recipes.channels + recipes.stages}
#define DW_STEPS_MAX {STEPS_MAX}
#define DW_INTERFACE 0ul
"""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "table.h").write_text(text)
        (folder / "machine.h").write_text(machine)
        includes = [
            f"-I{path}" for path in (folder, AVR, *(TARGETS / f for f in ("engine", "avr", "atmega328p")))
        ]
        parts = ("dw_recipes", "dw_recipes_read", "dw_recipes_check", "dw_record", "dw_crc")
        engine = [TARGETS / "engine" / f"{part}.c" for part in parts]
        port = [TARGETS / "avr" / part for part in ("recipes.c", "next.S", "store.c")]
        sources = [AVR / "bench.c", AVR / "bench_engine.c", *port, *engine]
        options = [*flags, *(["-DENGINE_STORE"] if from_store else [])]
        elf = str(folder / "bench.elf")
        command = ["avr-gcc", *options, *includes, "-Wl,--gc-sections", "-o", elf, *map(str, sources)]
        subprocess.run(command, check=True)
        code, beside = (code_size(Path(elf), functions) for functions in (READER, BESIDE))
        output = subprocess.run([str(runner), elf], check=True, capture_output=True, text=True).stdout
    stack, cycles, found = answers(output, recipes)
    # servings, numbers, unit; the dictionary's size and grain are the encoding's own
    fields = body - (HEAD.size - 2 + 4)
    return EngineResult(body, fields, code, beside, stack, cycles, found)


def main() -> int:
    """Print the figures."""
    if tools_missing():
        print(f"avr-gcc or the simulator is not installed: {INSTALL}", file=sys.stderr)
        return 1
    with tempfile.TemporaryDirectory() as name:
        runner = build_runner(Path(name))
        for flags, where in itertools.product((AT_OS, AS_BUILT), (False, True)):
            s, m = (measure(stored(key), runner, where, flags) for key in "SM")
            print(
                f"{'-Os' if flags == AT_OS else 'as built'}, "
                f"{'EEPROM' if where else 'program memory'}: "
                f"reader {m.code} B (beside it {m.beside}), stack {m.stack} B, "
                f"body S / M {s.body} / {m.body} B ({s.fields} / {m.fields} for the fields of the sets), "
                f"cycles S {s.mean:.0f} ({max(s.cycles)}), M {m.mean:.0f} ({max(m.cycles)})"
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
