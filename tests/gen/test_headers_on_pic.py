"""``recipes.h`` and ``machine.h`` on a PIC: every number read back from the objects that sdcc makes.

An sdcc with its PIC ports is what ``build-sdcc-pic`` builds; assembler and reader of objects are gputils.
A mid-range PIC keeps each byte of a table as an instruction RETLW in a word of its own, 14 bits that begin
with 1101; a PIC18 keeps two bytes in each word, the low one first (data sheets of PIC16F87XA and PIC18F4550,
"Instruction Set Summary" and "Memory Organization", from memory).
"""

from __future__ import annotations

import os
import re
import shutil
import struct
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from dosewright.gen.lower import Compiled
from header_numbers import (
    TARGETS,
    cart_with_selectors,
    longest_name,
    machine_macros,
    machine_numbers,
    recipe_macros,
    recipe_numbers,
    write_headers,
)
from tools import missing, need

PORTS = {"mid-range": ["-mpic14", "-p16f877a"], "pic18": ["-mpic16", "-p18f4550"]}
LISTS = ("dw_out_list", "dw_step_list", "dw_recipe_list")


@pytest.fixture(scope="module")
def compiled() -> Compiled:
    return cart_with_selectors()


def sdcc_for_pic() -> str:
    """The sdcc in the folder that SDCC_PIC names, else the one on the path where that has the PIC ports."""
    built = Path(os.environ.get("SDCC_PIC", "/usr/local/lib/sdcc-pic")) / "bin" / "sdcc"
    found = [sdcc for sdcc in (shutil.which(built), shutil.which("sdcc")) if sdcc and has_pic_ports(sdcc)]
    if not found:
        missing("an sdcc with PIC ports", f"tests/gen/build-sdcc-pic {built.parents[1]}")
    return found[0]


def has_pic_ports(sdcc: str) -> bool:
    told = subprocess.run([sdcc, "--version"], capture_output=True, text=True, check=True).stdout
    return "pic14" in told and "pic16" in told


class Object:
    """An object for a PIC, as gpvo of gputils tells it."""

    def __init__(self, port: str, folder: Path, source: str) -> None:
        need("sdcpp", "gpasm", "gpvo")
        (folder / "all.c").write_text(source)
        command = [sdcc_for_pic(), *PORTS[port], "--std-c99", "--Werror", "--no-warn-non-free"]
        command += [f"-I{TARGETS / 'engine'}", f"-I{TARGETS / 'host'}", "-c", "all.c"]
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr
        command = ["gpvo", "-s", "-t", "all.o"]
        told = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True).stdout
        sections, _, symbols = told.partition("Symbol Table")
        self.two_in_a_word = port == "pic18"
        self.words: dict[str, list[int]] = {}  # of each section of program memory
        for section in re.findall(r"Name +(.*?)(?:Section Header|\Z)", sections, re.S):
            if "Executable code." in section:
                words = re.findall(r"^[0-9a-f]{6}:  ([0-9a-f]{4})", section, re.M)
                self.words[section.split()[0]] = [int(word, 16) for word in words]
        self.places = {
            name: (section, int(address, 16))
            for name, section, address in re.findall(
                r"^\d+ _(\w+) +(\S+) +(\w+) .* C_(?:EXT|LABEL)", symbols, re.M
            )
        }

    def table(self, name: str) -> bytes:
        """What lies between this name and the next."""
        section, start = self.places[name]
        after = [address for other, address in self.places.values() if other == section and address > start]
        if self.two_in_a_word:
            words = self.words[section]
            return struct.pack(f"<{len(words)}H", *words)[start : min(after, default=None)]
        words = self.words[section][start : min(after, default=None)]
        assert {word >> 10 for word in words} == {0b1101}
        return bytes(word & 0xFF for word in words)

    def rows(self, name: str, layout: str) -> Iterator[tuple[int | bytes, ...]]:
        """The rows of a table whose row has this layout."""
        table = self.table(name)
        filling = len(table) % struct.calcsize(layout)  # of the last word
        assert filling <= self.two_in_a_word and not any(table[len(table) - filling :])
        return struct.iter_unpack(layout, table[: len(table) - filling])

    def numbers(self, name: str, layout: str) -> list[int]:
        return [int(number) for row in self.rows(name, layout) for number in row]


@pytest.mark.parametrize("port", PORTS)
def test_a_pic_object_holds_every_number_of_recipes_h(port: str, compiled: Compiled, tmp_path: Path) -> None:
    write_headers(tmp_path, compiled)
    keep = "".join(f"const void *keep_{name}(void) {{ return {name}; }}\n" for name in LISTS)
    macros = f"const uint32_t macros[] = {{ {', '.join(recipe_macros(compiled))} }};\n"
    made = Object(port, tmp_path, f'#include "recipes.h"\n{keep}{macros}')
    steps = list(made.rows("dw_step_list", f"<BB{len(compiled.recipes.servings)}I"))
    found = made.numbers("macros", "<I") + made.numbers("dw_out_list", "<BBHBI")
    for number, first, count, name in made.rows("dw_recipe_list", f"<HHB{longest_name(compiled) + 1}s"):
        found += [int(number), int(first), int(count), *bytes(name).rstrip(b"\0"), 0]
        for step in steps[int(first) : int(first) + int(count)]:
            found += [int(value) for value in step]
    assert found == recipe_numbers(compiled)


@pytest.mark.parametrize("port", PORTS)
def test_a_pic_object_holds_every_number_of_machine_h(port: str, compiled: Compiled, tmp_path: Path) -> None:
    write_headers(tmp_path, compiled)
    macros = f"const uint32_t macros[] = {{ {', '.join(machine_macros(compiled.machine))} }};\n"
    digest = "const uint8_t digest[8] = DW_BUILD_DIGEST;\n"
    made = Object(port, tmp_path, f'#define DW_MACHINE_TABLES\n#include "machine.h"\n{macros}{digest}')
    found = made.numbers("macros", "<I") + made.numbers("digest", "<B")
    for name, layout in {
        "dw_outputs": "<HBBIHI",
        "dw_output_pins": "<BBB",
        "dw_input_pins": "<BBB",
        "dw_debounce": "<H",
        "dw_buttons": "<BHB",
        "dw_group_dead": "<H",
        "dw_rate_ranges": "<IBIB",
        "dw_port_idle": "<B",
        "dw_port_owned": "<B",
    }.items():
        found += made.numbers(name, layout)
    assert found == machine_numbers(compiled.machine)
