"""``recipes.h`` and ``machine.h`` on other controllers: every number read back from what compilers made.

For MCS-51 and STM8 a program walks the tables and tells the numbers, and the simulators of sdcc run it.
Debian's sdcc has no PIC among its ports, for their headers are not free; these two stand for the small ones.
The numbers of a RISC-V object are read by its own tools, by the layout of such structures in its psABI.
"""

from __future__ import annotations

import re
import struct
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from dosewright.gen import emit
from dosewright.gen.compiled import CompiledMachine, Dose
from dosewright.gen.fingerprint import build_digest, interface
from dosewright.gen.load import load
from dosewright.gen.lower import Compiled, lower
from dosewright.gen.plan import plans
from tools import need

ROOT = Path(__file__).parents[2]
TARGETS = ROOT / "targets"


@pytest.fixture(scope="module")
def compiled() -> Compiled:
    """The soda cart with two contacts and a link limit more: what has to be told of every kind is there."""
    made = lower(load(ROOT / "examples" / "soda-cart"))
    start = made.machine.buttons[0]
    contacts = [replace(start, does="select", recipe=300, serving=0)]
    contacts += [replace(start, does="select", recipe=0, serving=9)]
    machine = replace(made.machine, buttons=(*made.machine.buttons, *contacts), link_limit=70_000)
    return replace(made, machine=machine)


# What the tables should hold, from the compiled project and the plan and not from the emitter.


def recipe_numbers(compiled: Compiled) -> list[int]:
    """Outputs, then recipes with their names as bytes, each with its steps and ticks at every serving."""
    machine, table = compiled.machine, compiled.recipes
    numbers = [machine.tick_us, len(table.recipes), len(table.servings), len(machine.outputs)]
    for output in machine.outputs:
        pin = output.pin
        numbers += [pin.number if pin else 255, int(pin.active_high) if pin else 1]
        numbers += [output.current, output.group, output.max_on]
    by_name: dict[str, list[dict[int, int]]] = {}
    for plan in plans(compiled):
        times: dict[int, int] = {}
        for edge in plan.edges:
            times[edge.output] = times.get(edge.output, 0) + (-edge.tick if edge.on else edge.tick)
        by_name.setdefault(plan.recipe.name, []).append(times)
    first = 0
    for recipe in table.recipes:
        numbers += [recipe.number, first, len(recipe.steps), *recipe.name.encode(), 0]
        first += len(recipe.steps)
        for step in recipe.steps:
            numbers += [step.output, int(step.after_all)]
            numbers += [
                times[step.output] if isinstance(step, Dose) else step.ticks for times in by_name[recipe.name]
            ]
    return numbers


def machine_numbers(machine: CompiledMachine) -> list[int]:
    """The macros, then the tables, in the order of ``dw_machine.h``."""
    inputs = [*machine.interlocks, *machine.buttons]

    def mask(*flags: bool) -> int:
        return sum(1 << index for index, flag in enumerate(flags) if flag)

    locks = machine.interlocks
    numbers = [machine.channels, len(machine.outputs), len(locks), len(machine.buttons), len(machine.groups)]
    numbers += [machine.tick_us, machine.supply, machine.inrush_gap, machine.pour_limit, machine.pause_limit]
    numbers += [machine.link_limit, machine.jog_renewal, machine.vessel]
    numbers += [255 if machine.vessel_interlock is None else machine.vessel_interlock]
    numbers += [mask(*(lock.to_start for lock in locks)), mask(*(lock.while_pouring for lock in locks))]
    numbers += [mask(*(lock.always for lock in locks)), mask(*(lock.aborts for lock in locks))]
    numbers += [mask(*(lock.goes_on for lock in locks)), interface(machine), *build_digest(machine)]
    for output in machine.outputs:
        numbers += [output.current, output.group, int(output.stays_on), output.max_on, output.needs]
        numbers += [output.jog_limit]
    for pin in [output.pin for output in machine.outputs] + [item.pin for item in inputs]:
        numbers += [pin.port, 1 << pin.bit, int(pin.active_high)] if pin else [255, 0, 0]
    numbers += [item.debounce for item in inputs]
    for button in machine.buttons:
        numbers += [["pour", "go on", "stop", "select"].index(button.does), button.recipe, button.serving]
    numbers += [group.dead_time for group in machine.groups]
    for ends in machine.plausible:
        numbers += [ends.slowest.m, ends.slowest.s, ends.fastest.m, ends.fastest.s]
    return numbers


# A program that puts the same numbers in the same order where a simulator can see them.

TELL_RECIPES = """
static void tell_all(void)
{
    uint8_t i, s;
    uint16_t r;
    const char *name;
    tell(DW_TICK_MICROSECONDS); tell(DW_RECIPE_COUNT); tell(DW_SERVING_COUNT); tell(DW_OUTPUT_COUNT);
    for (i = 0; i < DW_OUTPUT_COUNT; i++) {
        tell(DW_READ8(&dw_out_list[i].pin)); tell(DW_READ8(&dw_out_list[i].on_level));
        tell(DW_READ16(&dw_out_list[i].current)); tell(DW_READ8(&dw_out_list[i].group));
        tell(DW_READ32(&dw_out_list[i].max_on));
    }
    for (r = 0; r < DW_RECIPE_COUNT; r++) {
        uint16_t first = DW_READ16(&dw_recipe_list[r].first);
        tell(DW_READ16(&dw_recipe_list[r].number)); tell(first); tell(DW_READ8(&dw_recipe_list[r].steps));
        for (name = dw_recipe_list[r].name; DW_READ8((const uint8_t *)name) != 0; name++)
            tell(DW_READ8((const uint8_t *)name));
        tell(0);
        for (i = 0; i < DW_READ8(&dw_recipe_list[r].steps); i++) {
            const dw_step_row *step = &dw_step_list[first + i];
            tell(DW_READ8(&step->out)); tell(DW_READ8(&step->after_all));
            for (s = 0; s < DW_SERVING_COUNT; s++) tell(DW_READ32(&step->ticks[s]));
        }
    }
}
"""
TELL_MACHINE = """
static const uint8_t digest[8] = DW_BUILD_DIGEST;
static void tell_pin(const dw_pin_t *pin) { tell(pin->port); tell(pin->mask); tell(pin->active_high); }
static void tell_all(void)
{
    uint8_t i;
    tell(DW_CHANNELS); tell(DW_OUTPUTS); tell(DW_INTERLOCKS); tell(DW_BUTTONS); tell(DW_GROUPS);
    tell(DW_TICK_US); tell(DW_SUPPLY_MA); tell(DW_INRUSH_GAP); tell(DW_POUR_LIMIT); tell(DW_PAUSE_LIMIT);
    tell(DW_LINK_LIMIT); tell(DW_JOG_RENEWAL); tell(DW_VESSEL_QUANTA); tell(DW_VESSEL_INTERLOCK);
    tell(DW_START_MASK); tell(DW_POURING_MASK); tell(DW_ALWAYS_MASK); tell(DW_ABORT_MASK);
    tell(DW_GOES_ON_MASK); tell(DW_INTERFACE);
    for (i = 0; i < 8; i++) tell(digest[i]);
    for (i = 0; i < DW_OUTPUTS; i++) {
        tell(dw_outputs[i].current); tell(dw_outputs[i].group); tell(dw_outputs[i].stays_on);
        tell(dw_outputs[i].max_on); tell(dw_outputs[i].needs); tell(dw_outputs[i].jog_limit);
    }
    for (i = 0; i < DW_OUTPUTS; i++) tell_pin(&dw_output_pins[i]);
    for (i = 0; i < DW_INTERLOCKS + DW_BUTTONS; i++) tell_pin(&dw_input_pins[i]);
    for (i = 0; i < DW_INTERLOCKS + DW_BUTTONS; i++) tell(dw_debounce[i]);
    for (i = 0; i < DW_BUTTONS; i++) {
        tell(dw_buttons[i].does); tell(dw_buttons[i].recipe); tell(dw_buttons[i].serving);
    }
    for (i = 0; i < DW_GROUPS; i++) tell(dw_group_dead[i]);
    for (i = 0; i < DW_CHANNELS; i++) {
        tell(dw_rate_ranges[i].slowest_m); tell(dw_rate_ranges[i].slowest_s);
        tell(dw_rate_ranges[i].fastest_m); tell(dw_rate_ranges[i].fastest_s);
    }
}
"""
# What is written to this address goes into a file: the interface that sdcc's simulators have for programs.
PROGRAM = """
#define OUTSIDE (*(volatile uint8_t %s*)0xFFFF)
static void tell_byte(uint8_t byte) { OUTSIDE = 'w'; OUTSIDE = byte; }
static void tell(uint32_t number)
{
    uint8_t i;
    for (i = 0; i < 4; i++) { tell_byte((uint8_t)number); number >>= 8; }
}
%s
void main(void)
{
    tell_all();
    OUTSIDE = 's';
    for (;;) { }
}
"""
SMALL = {  # flags of the compiler, its word for the memory that OUTSIDE is in, simulator, its word for it
    "mcs51": (["-mmcs51", "--model-large"], "__xdata ", ["s51", "-t", "8052"], "xram"),
    "stm8": (["-mstm8"], "", ["sstm8"], "rom"),
}


def write(folder: Path, compiled: Compiled) -> None:
    (folder / "recipes.h").write_text(emit.recipes_h(compiled), encoding="utf-8")
    (folder / "machine.h").write_text(emit.machine_h(compiled.machine), encoding="utf-8")


def run_on(kind: str, folder: Path, head: str, body: str) -> list[int]:
    """The numbers that a program tells on a small controller."""
    flags, space, simulator, memory = SMALL[kind]
    need("sdcc", simulator[0])
    (folder / "tell.c").write_text(head + PROGRAM % (space, body))
    includes = [f"-I{TARGETS / 'engine'}", f"-I{TARGETS / 'host'}"]
    command = ["sdcc", *flags, "--std-c99", "--Werror", *includes, "tell.c"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    outside = f"if={memory}[0xffff],in=/dev/null,out=told"
    command = [*simulator, "-q", "-b", "-I", outside, "-e", "run", "tell.ihx"]
    subprocess.run(command, cwd=folder, check=True, capture_output=True, stdin=subprocess.DEVNULL, timeout=60)
    told = (folder / "told").read_bytes()
    return list(struct.unpack(f"<{len(told) // 4}I", told))


@pytest.mark.parametrize("kind", SMALL)
def test_a_small_controller_reads_every_number_of_recipes_h(
    kind: str, compiled: Compiled, tmp_path: Path
) -> None:
    write(tmp_path, compiled)
    told = run_on(kind, tmp_path, '#include "recipes.h"\n', TELL_RECIPES)
    assert told == recipe_numbers(compiled)


@pytest.mark.parametrize("kind", SMALL)
def test_a_small_controller_reads_every_number_of_machine_h(
    kind: str, compiled: Compiled, tmp_path: Path
) -> None:
    write(tmp_path, compiled)
    head = '#define DW_MACHINE_TABLES\n#include "machine.h"\n'
    assert run_on(kind, tmp_path, head, TELL_MACHINE) == machine_numbers(compiled.machine)


def test_the_tables_stay_in_the_program_memory_of_an_mcs51(compiled: Compiled, tmp_path: Path) -> None:
    """128 bytes of internal memory would not hold them: sdcc keeps what is const with the code."""
    need("sdcc")
    write(tmp_path, compiled)
    (tmp_path / "all.c").write_text('#include "recipes.h"\nconst void *keep(void) { return dw_step_list; }\n')
    subprocess.run(["sdcc", "-mmcs51", "--std-c99", "-S", "all.c"], cwd=tmp_path, check=True)
    text = (tmp_path / "all.asm").read_text()
    areas = {name: re.findall(r"\.area (\w+)", text[: text.index(f"\n_{name}:")])[-1] for name in LISTS}
    assert areas == dict.fromkeys(LISTS, "CONST")


LISTS = ("dw_out_list", "dw_step_list", "dw_recipe_list")


class Object:
    """A RISC-V object, every table in a section of its own."""

    def __init__(self, folder: Path, source: str) -> None:
        need("riscv64-unknown-elf-gcc", "riscv64-unknown-elf-objcopy")
        self.folder = folder
        (folder / "all.c").write_text(source)
        command = [
            "riscv64-unknown-elf-gcc",
            "-march=rv32imac",
            "-mabi=ilp32",
            "-ffreestanding",
            "-std=c99",
            "-Os",
        ]
        command += [
            "-Wall",
            "-Wextra",
            "-Wpedantic",
            "-Wconversion",
            "-Werror",
            "-fdata-sections",
            "-msmall-data-limit=0",
        ]
        command += [f"-I{TARGETS / 'engine'}", f"-I{TARGETS / 'host'}", "-c", "all.c"]
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr

    def rows(self, name: str, layout: str) -> Iterator[tuple[int | bytes, ...]]:
        """The rows of a table whose row has this layout."""
        command = ["riscv64-unknown-elf-objcopy", "-O", "binary", "-j", f".rodata.{name}", "all.o", "part"]
        subprocess.run(command, cwd=self.folder, check=True)
        return struct.iter_unpack(layout, (self.folder / "part").read_bytes())

    def numbers(self, name: str, layout: str) -> list[int]:
        return [int(number) for row in self.rows(name, layout) for number in row]


def test_a_risc_v_object_holds_every_number_of_recipes_h(compiled: Compiled, tmp_path: Path) -> None:
    write(tmp_path, compiled)
    keep = "".join(
        f"const void *keep_{name}(void);\nconst void *keep_{name}(void) {{ return {name}; }}\n"
        for name in LISTS
    )
    macros = (
        "extern const uint32_t macros[];\nconst uint32_t macros[] = { DW_TICK_MICROSECONDS, DW_RECIPE_COUNT, "
        "DW_SERVING_COUNT, DW_OUTPUT_COUNT };\n"
    )
    made = Object(tmp_path, f'#include "recipes.h"\n{keep}{macros}')
    servings = len(compiled.recipes.servings)
    longest = max(len(recipe.name.encode()) for recipe in compiled.recipes.recipes) + 1
    steps = list(made.rows("dw_step_list", f"<BB2x{servings}I"))
    found = made.numbers("macros", "<I") + made.numbers("dw_out_list", "<BBHB3xI")
    padding = (5 + longest) % 2
    for number, first, count, name in made.rows("dw_recipe_list", f"<HHB{longest}s{padding}x"):
        text = bytes(name).rstrip(b"\0")
        found += [int(number), int(first), int(count), *text, 0]
        for step in steps[int(first) : int(first) + int(count)]:
            found += [int(value) for value in step]
    assert found == recipe_numbers(compiled)


def test_a_risc_v_object_holds_every_number_of_machine_h(compiled: Compiled, tmp_path: Path) -> None:
    write(tmp_path, compiled)
    told = re.findall(r"tell\((DW_\w+)\)", TELL_MACHINE)
    macros = (
        f"extern const uint32_t macros[];\nconst uint32_t macros[] = {{ {', '.join(told)} }};\n"
        "extern const uint8_t digest[];\nconst uint8_t digest[8] = DW_BUILD_DIGEST;\n"
    )
    made = Object(tmp_path, f'#define DW_MACHINE_TABLES\n#include "machine.h"\n{macros}')
    found = made.numbers("macros", "<I") + made.numbers("digest", "<B")
    for name, layout in {
        "dw_outputs": "<HBBIH2xI",
        "dw_output_pins": "<BBB",
        "dw_input_pins": "<BBB",
        "dw_debounce": "<H",
        "dw_buttons": "<BxHBx",
        "dw_group_dead": "<H",
        "dw_rate_ranges": "<IB3xIB3x",
    }.items():
        found += made.numbers(name, layout)
    assert found == machine_numbers(compiled.machine)
