"""The port on boards that are not AVR, against a core of our own that runs on this computer.

No compiler of such a board is at hand; what the Arduino API promises is quoted from memory.
"""

from __future__ import annotations

import subprocess
from itertools import pairwise
from pathlib import Path

import pytest

from dosewright.gen.load import load
from dosewright.gen.lower import Compiled, lower
from dosewright.gen.plan import plan
from dosewright.hil.frames import Frame, pack
from dosewright.hil.messages import Request
from tools import need

EXAMPLE = Path(__file__).parents[2] / "examples" / "soda-cart"
ARDUINO_H = """
#pragma once
#include <stddef.h>
#include <stdint.h>
#include <string.h>
enum { LOW, HIGH };
enum { INPUT, OUTPUT, INPUT_PULLUP };
uint32_t micros();
void pinMode(uint8_t pin, uint8_t mode);
void digitalWrite(uint8_t pin, uint8_t level);
int digitalRead(uint8_t pin);
class Stream {
public:
    int available();
    int read();
    int availableForWrite();
    size_t write(uint8_t byte);
};
"""
EEPROM_H = """
#pragma once
#include <stddef.h>
#include <stdint.h>
struct FakeEeprom {
    bool begin(size_t size);
    bool commit();
    uint8_t read(int address);
    void write(int address, uint8_t value);
};
extern FakeEeprom EEPROM;
"""
MAIN = """
#include <stdio.h>
#include <stdlib.h>
#include "EEPROM.h"
#include "dw_arduino.h"

static uint32_t now = 0xFFFFF000u; /* micros() wraps at once */
static uint32_t since_begin;
static uint8_t closed_level[256];
static uint8_t memory[8192];
static unsigned writes, commits;
static const char *input = "";

uint32_t micros() { return now; }
void pinMode(uint8_t pin, uint8_t mode) { printf("mode %u %u\\n", pin, mode); }
void digitalWrite(uint8_t pin, uint8_t level)
{
    printf("pin %u %u %u\\n", (unsigned)since_begin, pin, level);
}
int digitalRead(uint8_t pin) { return closed_level[pin]; }
int Stream::available() { return *input != 0; }
int Stream::read()
{
    char pair[3] = { input[0], input[1], 0 };
    input += 2;
    return (int)strtoul(pair, NULL, 16);
}
int Stream::availableForWrite() { return 64; }
size_t Stream::write(uint8_t byte) { printf("sent %02x\\n", byte); return 1; }
FakeEeprom EEPROM;
bool FakeEeprom::begin(size_t size) { memset(memory, 0xFF, size); return size <= sizeof memory; }
bool FakeEeprom::commit() { commits++; return true; }
uint8_t FakeEeprom::read(int address) { return memory[address]; }
void FakeEeprom::write(int address, uint8_t value) { writes++; memory[address] = value; }

static void pass(uint32_t us)
{
    for (; us > 0; us -= 50) { now += 50; since_begin += 50; Dosewright.run(); }
}

/* arguments: a recipe; bytes that arrive, in hex; pins that read high, as the others read low */
int main(int count, char **words)
{
    static Stream link;
    for (int i = 3; i < count; i++) closed_level[atoi(words[i])] = 1;
    Dosewright.begin(link);
    pass(500000);
    input = words[2];
    pass(500000);
    printf("store %u %u\\n", writes, commits);
    printf("pour %u\\n", Dosewright.pour((uint16_t)atoi(words[1]), 0).reason);
    while (Dosewright.status().result == DW_RESULT_NONE) pass(1000);
    pass(2000); /* what the last tick decided is written by the next */
    printf("end %u %u\\n", Dosewright.status().result, (unsigned)Dosewright.latest());
    return 0;
}
"""
BOARDS = {
    "pages": ("-DARDUINO_ARCH_ESP32", "may lose the old and the new recipes"),
    "memory": ("-DARDUINO_ARCH_SOMETHING", "last until power goes"),
}


@pytest.fixture(scope="module")
def compiled() -> Compiled:
    return lower(load(EXAMPLE))


@pytest.fixture(scope="module", params=BOARDS)
def board(
    request: pytest.FixtureRequest, library_folder: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, Path]:
    """The library compiled for one kind of board; its only warning is that of the store."""
    need("gcc", "g++")
    define, words = BOARDS[request.param]
    work = tmp_path_factory.mktemp("board")
    for name, text in {"Arduino.h": ARDUINO_H, "EEPROM.h": EEPROM_H, "main.cpp": MAIN}.items():
        (work / name).write_text(text)
    flags = [define, "-O1", "-Wall", "-Wextra", "-I.", f"-I{library_folder / 'src'}"]
    said = ""
    for source in [*sorted((library_folder / "src").glob("dw_*.c*")), work / "main.cpp"]:
        compiler = ["g++", "-std=gnu++11"] if source.suffix == ".cpp" else ["gcc", "-std=gnu11"]
        command = [*compiler, *flags, "-c", str(source)]
        done = subprocess.run(command, cwd=work, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        said += done.stderr
    assert said.count("warning:") == 1 and words in said
    subprocess.run(["g++", "-o", "board", *(p.name for p in work.glob("*.o"))], cwd=work, check=True)
    return request.param, work / "board"


def run(program: Path, compiled: Compiled, recipe: int = 1, arriving: bytes = b"") -> list[list[str]]:
    machine = compiled.machine
    high = [lock.pin.number for lock in machine.interlocks if lock.pin.active_high]
    high += [button.pin.number for button in machine.buttons if not button.pin.active_high]
    command = [str(program), str(recipe), arriving.hex(), *map(str, high)]
    done = subprocess.run(command, check=True, capture_output=True, text=True, timeout=60)
    return [line.split() for line in done.stdout.splitlines()]


def test_pours_are_the_plan_to_the_tick(board: tuple[str, Path], compiled: Compiled) -> None:
    """Every recipe; and where outputs go off and on in one tick, those that go off come first."""
    pins = {index: output.pin for index, output in enumerate(compiled.machine.outputs) if output.pin}
    swaps = 0
    for recipe in compiled.recipes.recipes:
        lines = run(board[1], compiled, recipe.number)
        assert ["pour", "0"] in lines and lines[-1][:2] == ["end", "1"]
        wanted = [
            (edge.tick, pins[edge.output].number, int(edge.on == pins[edge.output].active_high))
            for edge in plan(compiled, recipe, 0).edges
            if edge.output in pins
        ]
        asked = lines.index(["pour", "0"])
        seen = [tuple(map(int, line[1:])) for line in lines[asked:] if line[0] == "pin"]
        start = seen[0][0] - 1000 * wanted[0][0]
        assert [((us - start) / 1000, pin, level) for us, pin, level in seen] == wanted
        swaps += sum(a[0] == b[0] and a[1] > b[1] for a, b in pairwise(wanted))
    assert swaps > 0  # so an order by the number of the pin alone would have shown


def test_an_output_is_off_before_it_is_an_output(board: tuple[str, Path], compiled: Compiled) -> None:
    """The level first, then the direction, and no other level before the pour."""
    lines = run(board[1], compiled)
    before = lines[: lines.index(["pour", "0"])]
    for output in compiled.machine.outputs:
        if output.pin:
            number = str(output.pin.number)
            own = [line for line in before if line[0] in ("pin", "mode") and number == line[-2]]
            assert own == [["pin", "0", number, str(int(not output.pin.active_high))], ["mode", number, "1"]]


def test_pages_are_written_once_a_frame(board: tuple[str, Path], compiled: Compiled) -> None:
    """Begin and one chunk of an upload: many bytes, two frames, two pages at most."""
    begin = pack(Frame(1, Request.UPLOAD_BEGIN, b"R" + (100).to_bytes(4, "little")))
    chunk = pack(Frame(2, Request.UPLOAD_CHUNK, (0).to_bytes(4, "little") + bytes(range(40))))
    lines = run(board[1], compiled, arriving=b"\0" + begin + chunk)
    kept = next(line for line in lines if line[0] == "store")
    written, commits = int(kept[1]), int(kept[2])
    if board[0] == "pages":
        assert written >= 40 and commits == 2
    else:
        assert (written, commits) == (0, 0)
