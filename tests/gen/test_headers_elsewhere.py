"""``recipes.h`` and ``machine.h`` on other controllers: every number read back from what compilers made.

For MCS-51 and STM8 a program walks the tables and tells the numbers, and the simulators of sdcc run it.
The numbers of a RISC-V object are read by its own tools, by the layout of such structures in its psABI.
"""

from __future__ import annotations

import re
import struct
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from dosewright.gen.lower import Compiled
from header_numbers import (
    TARGETS,
    cart_of_every_kind,
    longest_name,
    machine_macros,
    machine_numbers,
    recipe_macros,
    recipe_numbers,
    write_headers,
)
from header_programs import HEADERS, expected, numbers, program
from tools import need


@pytest.fixture(scope="module")
def compiled() -> Compiled:
    return cart_of_every_kind()


SMALL = {  # flags of the compiler, its word for the memory that OUTSIDE is in, simulator, its word for it
    "mcs51": (["-mmcs51", "--model-large"], "__xdata ", ["s51", "-t", "8052"], "xram"),
    "stm8": (["-mstm8"], "", ["sstm8"], "rom"),
}


@pytest.mark.parametrize("header", HEADERS)
@pytest.mark.parametrize("kind", SMALL)
def test_a_small_controller_reads_every_number(
    kind: str, header: str, compiled: Compiled, tmp_path: Path
) -> None:
    flags, space, simulator, memory = SMALL[kind]
    need("sdcc", simulator[0])
    write_headers(tmp_path, compiled)
    # what is written to this address goes into a file: the interface that sdcc's simulators have for programs
    outside = f"#define OUTSIDE (*(volatile uint8_t {space}*)0xFFFF)"
    source = program(header, compiled, outside, "OUTSIDE = 'w'; OUTSIDE = byte;", "OUTSIDE = 's';")
    (tmp_path / "tell.c").write_text(source)
    includes = [f"-I{TARGETS / 'engine'}", f"-I{TARGETS / 'host'}"]
    command = ["sdcc", *flags, "--std-c99", "--Werror", *includes, "tell.c"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    goes_to = f"if={memory}[0xffff],in=/dev/null,out=told"
    command = [*simulator, "-q", "-b", "-I", goes_to, "-e", "run", "tell.ihx"]
    subprocess.run(
        command, cwd=tmp_path, check=True, capture_output=True, stdin=subprocess.DEVNULL, timeout=60
    )
    assert numbers((tmp_path / "told").read_bytes()) == expected(header, compiled)


def test_no_number_is_left_out(compiled: Compiled, tmp_path: Path) -> None:
    """Every macro that is a number is among those that are read back."""
    write_headers(tmp_path, compiled)
    read = {"recipes.h": recipe_macros(compiled), "machine.h": machine_macros(compiled.machine)}
    for name, macros in read.items():
        defined = re.findall(r"^#define (\w+) [0-9]", (tmp_path / name).read_text(encoding="utf-8"), re.M)
        assert set(defined) - {"DW_MACHINE_FORMAT"} == set(macros)


def test_the_tables_stay_in_the_program_memory_of_an_mcs51(compiled: Compiled, tmp_path: Path) -> None:
    """128 bytes of internal memory would not hold them: sdcc keeps what is const with the code."""
    need("sdcc")
    write_headers(tmp_path, compiled)
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
    write_headers(tmp_path, compiled)
    keep = "".join(
        f"const void *keep_{name}(void);\nconst void *keep_{name}(void) {{ return {name}; }}\n"
        for name in LISTS
    )
    told = ", ".join(recipe_macros(compiled))
    macros = f"extern const uint32_t macros[];\nconst uint32_t macros[] = {{ {told} }};\n"
    made = Object(tmp_path, f'#include "recipes.h"\n{keep}{macros}')
    servings = len(compiled.recipes.servings)
    longest = longest_name(compiled) + 1
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
    write_headers(tmp_path, compiled)
    told = ", ".join(machine_macros(compiled.machine))
    macros = (
        f"extern const uint32_t macros[];\nconst uint32_t macros[] = {{ {told} }};\n"
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
        "dw_port_idle": "<B",
        "dw_port_owned": "<B",
    }.items():
        found += made.numbers(name, layout)
    assert found == machine_numbers(compiled.machine)
