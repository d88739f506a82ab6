"""The engine compiles without a warning everywhere, and fits the smallest controller it is meant for."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from engine.conftest import ENGINE, HOST, TESTS, WARNINGS
from tools import need

TARGETS = ENGINE.parent
SOURCES = sorted(ENGINE.glob("dw_*.c"))
AVR = ["-mmcu=atmega328p", "-Os"]
COMPILERS = {
    "gcc": ["-O2"],
    "clang": ["-O2"],
    "avr-gcc": AVR,
    "arm-none-eabi-gcc": ["-mcpu=cortex-m0plus", "-mthumb", "-Os"],
}
BARE = {  # a machine with one channel and nothing else
    "channels": "1",
    "outputs": "1",
    "interlocks": "0",
    "buttons": "0",
    "groups": "0",
    "ports": "1",
}


def run(command: list[str]) -> str:
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout


def bare_machine(folder: Path) -> Path:
    """The cart's header with every count at its least; tables without entries have one of zeros."""
    text = (TESTS / "cart/machine.h").read_text()
    for name, count in BARE.items():
        text = re.sub(rf"(#define DW_{name.upper()}) \d+", rf"\1 {count}", text)
    text = re.sub(r"(#define DW_VESSEL_INTERLOCK) 0u", r"\1 255u", text)
    text = re.sub(r"(#define DW_(?:START|POURING|ALWAYS|ABORT|GOES_ON)_MASK) \w+", r"\1 0u", text)
    text = re.sub(r"\[DW_(INTERLOCKS \+ DW_BUTTONS|BUTTONS|GROUPS)\]", "[1]", text)
    text = re.sub(r"(= \{)\n.*?(?=\n?\};)", r"\1 { 0 }", text, flags=re.S)
    text = re.sub(r"(uint\w+_t dw_\w+\[\S+\] DW_ROM =) .*;", r"\1 { 0 };", text)
    (folder / "machine.h").write_text(text)
    return folder


@pytest.mark.parametrize("machine", ["cart", "bare"])
@pytest.mark.parametrize("compiler", COMPILERS)
def test_no_warnings(compiler: str, machine: str, tmp_path: Path) -> None:
    need(compiler)
    header = TESTS / "cart" if machine == "cart" else bare_machine(tmp_path)
    target = TESTS / "avr" if compiler == "avr-gcc" else HOST
    includes = [f"-I{folder}" for folder in (header, TESTS / "cart", ENGINE, target)]
    for source in SOURCES:
        output = tmp_path / (source.stem + ".o")
        run([compiler, *WARNINGS, *COMPILERS[compiler], *includes, "-c", str(source), "-o", str(output)])


@pytest.mark.parametrize("machine", ["cart", "bare"])
@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_the_host_program_too(compiler: str, machine: str, tmp_path: Path) -> None:
    need(compiler)
    header = TESTS / "cart" if machine == "cart" else bare_machine(tmp_path)
    includes = [f"-I{folder}" for folder in (header, TESTS / "cart", ENGINE, HOST)]
    sources = [str(path) for path in (*SOURCES, *sorted(HOST.glob("*.c")))]
    run([compiler, *WARNINGS, "-O2", *includes, *sources, "-o", str(tmp_path / "controller")])


@pytest.mark.parametrize("chip", ["atmega328p", "atmega2560"])
def test_the_avr_port_too(chip: str, tmp_path: Path) -> None:
    need("avr-gcc")
    includes = [f"-I{folder}" for folder in (TESTS / "cart", ENGINE, TARGETS / "avr", TARGETS / chip)]
    chip_flags = [f"-mmcu={chip}", "-DF_CPU=16000000UL", "-Os"]
    for source in (*SOURCES, *sorted((TARGETS / "avr").glob("*.c"))):
        output = tmp_path / (source.stem + ".o")
        run(["avr-gcc", *WARNINGS, *chip_flags, *includes, "-c", str(source), "-o", str(output)])


@pytest.mark.parametrize("compiler", ["g++", "clang++"])
def test_the_headers_are_c_plus_plus_as_well(compiler: str, tmp_path: Path) -> None:
    need(compiler)
    (tmp_path / "all.cpp").write_text(
        '#define DW_MACHINE_TABLES\n#include "machine.h"\n#include "dw_engine.h"\n'
    )
    includes = [f"-I{folder}" for folder in (TESTS / "cart", ENGINE, HOST)]
    strict = ["-std=c++17", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Werror"]
    run([compiler, *strict, *includes, "-c", str(tmp_path / "all.cpp"), "-o", str(tmp_path / "all.o")])


def test_a_header_for_another_engine_is_refused(tmp_path: Path) -> None:
    need("cc")
    compiler = shutil.which("cc")
    assert compiler
    text = (TESTS / "cart/machine.h").read_text().replace("DW_MACHINE_FORMAT 2", "DW_MACHINE_FORMAT 3")
    (tmp_path / "machine.h").write_text(text)
    command = [
        compiler,
        "-std=c99",
        f"-I{tmp_path}",
        f"-I{ENGINE}",
        f"-I{HOST}",
        "-c",
        str(ENGINE / "dw_machine.c"),
    ]
    done = subprocess.run([*command, "-o", str(tmp_path / "x.o")], capture_output=True, text=True)
    assert done.returncode != 0
    assert "machine.h was written for another version of the engine" in done.stderr


def test_nothing_but_memset_and_arithmetic_is_called(tmp_path: Path) -> None:
    """No heap, no floats, no 64-bit division: the object files of an 8-bit build name no such helper."""
    need("avr-gcc")
    includes = [f"-I{folder}" for folder in (TESTS / "cart", ENGINE, TESTS / "avr")]
    called: set[str] = set()
    for source in SOURCES:
        output = tmp_path / (source.stem + ".o")
        run(["avr-gcc", "-std=c99", *AVR, *includes, "-c", str(source), "-o", str(output)])
        called |= {line.split()[-1] for line in run(["avr-nm", "-u", str(output)]).splitlines()}
    helpers = {name for name in called if not name.startswith("dw_")}
    allowed = {
        "memset",
        "__do_copy_data",
        "__do_clear_bss",
        "__udivmodsi4",
        "__udivmodhi4",
        "__mulsi3",
        "__umulhisi3",
    }
    allowed |= {"__muluhisi3", "__tablejump2__", "__prologue_saves__", "__epilogue_restores__"}
    assert helpers <= allowed


def test_cppcheck_finds_nothing() -> None:
    need("cppcheck")
    includes = [f"-I{folder}" for folder in (TESTS / "cart", ENGINE, HOST)]
    folders = [str(ENGINE), str(HOST)]
    checks = [
        "--enable=warning,style,performance,portability",
        "--inline-suppr",
        "--error-exitcode=1",
        "--quiet",
        "--std=c99",
    ]
    run(["cppcheck", *checks, *includes, *folders])


def test_clang_tidy_finds_nothing() -> None:
    need("clang-tidy")
    includes = [f"-I{folder}" for folder in (TESTS / "cart", ENGINE, HOST)]
    sources = [str(path) for path in (*SOURCES, *sorted(HOST.glob("*.c")))]
    run(["clang-tidy", "--quiet", "--warnings-as-errors=*", *sources, "--", "-std=c99", *includes])
