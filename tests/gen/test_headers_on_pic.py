"""``recipes.h`` and ``machine.h`` on a PIC: a program tells every number, and the simulator gpsim runs it.

An sdcc with its PIC ports is what ``build-sdcc-pic`` builds; assembler and linker are those of gputils. What
the program needs of sdcc's library is compiled here, from the sources in Debian's sdcc-libraries. A mid-range
PIC has 368 bytes of memory, which would not hold the tables: they are read from program memory.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest

from dosewright.gen.lower import Compiled
from header_numbers import TARGETS, cart_of_every_kind, write_headers
from header_programs import HEADERS, expected, numbers, program
from tools import missing, need

LIBRARY = Path("/usr/share/sdcc/lib/src")
COMMON = "share/sdcc/include/pic14"  # beside the compiler: what the assembler sources of that library include
GPUTILS = Path("/usr/share/gputils")


@dataclass(frozen=True)
class Pic:
    """A PIC and what a program needs there: sources in sdcc's library and the registers these name."""

    port: str
    device: str
    library: tuple[str, ...]
    registers: tuple[str, ...]
    tell: str  # register that bytes are told by
    end: str  # register whose writing ends it
    more: str = ""


PICS = {
    "mid-range": Pic(
        "pic14",
        "16f877a",
        (
            *(f"pic14/libsdcc/regular/_gptrget{size}.S" for size in (1, 2, 4)),
            *("pic14/libsdcc/idata.c", "pic14/libsdcc/_mulint.c", "_muluchar.c"),
        ),
        ("INDF", "PCL", "STATUS", "FSR", "PCLATH"),
        tell="PORTD",
        end="PORTC",
    ),
    "pic18": Pic(
        "pic16",
        "18f4550",
        (
            *(f"pic16/libsdcc/gptr/gptrget{size}.c" for size in (1, 2, 4)),
            *("pic16/startup/crt0.c", "pic16/libsdcc/int/mulint.c"),
        ),
        ("FSR0L", "FSR0H", "POSTINC0", "WREG", "TBLPTRL", "TBLPTRH", "TBLPTRU", "TABLAT", "PRODL", "PRODH"),
        tell="LATD",
        end="LATC",
        more="#pragma stack 0x300 0x100\n#pragma config XINST=OFF\n"
        + "".join(f"void __eeprom_gptrget{size}(void) {{ }}\n" for size in (1, 2, 4)),
    ),
}


@pytest.fixture(scope="module")
def compiled() -> Compiled:
    return cart_of_every_kind()


def sdcc_for_pic() -> Path:
    """The sdcc in the folder that SDCC_PIC names, else the one on the path where that has the PIC ports."""
    built = Path(os.environ.get("SDCC_PIC", "/usr/local/lib/sdcc-pic")) / "bin" / "sdcc"
    found = [sdcc for sdcc in (shutil.which(built), shutil.which("sdcc")) if sdcc and has_pic_ports(sdcc)]
    if not found:
        missing("an sdcc with PIC ports", f"tests/gen/build-sdcc-pic {built.parents[1]}")
    return Path(found[0])


def has_pic_ports(sdcc: str) -> bool:
    told = subprocess.run([sdcc, "--version"], capture_output=True, text=True, check=True).stdout
    return "pic14" in told and "pic16" in told


def run(folder: Path, *command: str) -> None:
    done = subprocess.run(
        command, cwd=folder, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=60
    )
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("header", HEADERS)
@pytest.mark.parametrize("name", PICS)
def test_a_pic_reads_every_number(name: str, header: str, compiled: Compiled, tmp_path: Path) -> None:
    pic = PICS[name]
    need("sdcpp", "gpasm", "gplink", "gpsim")
    if not LIBRARY.is_dir():
        missing("sdcc's library in source", "apt-get install sdcc-libraries")
    built = sdcc_for_pic()
    sdcc = [str(built), f"-m{pic.port}", f"-p{pic.device}", "--no-warn-non-free"]
    names = (GPUTILS / "header" / f"p{pic.device}.inc").read_text()
    address = dict(re.findall(r"^(\w+) +EQU +H'(\w+)'", names, re.M))
    registers = "".join(f"__sfr __at(0x{address[r]}) {r};\n" for r in (*pic.registers, pic.tell, pic.end))

    write_headers(tmp_path, compiled)
    source = program(header, compiled, registers + pic.more, f"{pic.tell} = byte;", f"{pic.end} = 1;")
    (tmp_path / "tell.c").write_text(source)
    includes = [f"-I{TARGETS / 'engine'}", f"-I{TARGETS / 'host'}"]
    run(tmp_path, *sdcc, "--std-c99", "--Werror", *includes, "-c", "tell.c")
    objects = ["tell.o"]
    for part in pic.library:
        file = LIBRARY / part
        objects.append(f"{file.stem}.o")
        assembler = ["gpasm", "-q", "-p", pic.device, f"-I{file.parent}", f"-I{built.parents[1] / COMMON}"]
        run(tmp_path, *(assembler if file.suffix == ".S" else sdcc), "-c", "-o", objects[-1], str(file))
    memory = GPUTILS / "lkr" / f"{pic.device}_g.lkr"
    run(tmp_path, "gplink", "-s", str(memory), "-o", "tell.hex", *objects)

    steps = [f"processor p{pic.device}", "load tell.hex", f"log w 0x{address[pic.tell]}", "log on told"]
    steps += [f"break w 0x{address[pic.end]}", "run", "quit"]
    (tmp_path / "run.stc").write_text("\n".join(steps) + "\n")
    run(tmp_path, "gpsim", "-i", "-c", "run.stc")
    told = re.findall(rf"Wrote: 0x00(\w\w) to {pic.tell.lower()}\(", (tmp_path / "told").read_text())
    assert numbers(bytes.fromhex("".join(told))) == expected(header, compiled)
