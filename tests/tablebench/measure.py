"""Builds each reader for the ATmega328P, runs it on the simulator and says what it costs.

    cd tests && python -m tablebench.measure

prints the table of README.md. nanopb's C files are wanted in the folder named by NANOPB: ``fetch-nanopb DIR``
beside this file gets them, its generator comes with ``pip install nanopb grpcio-tools``. What is not there is
left out.
"""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tablebench import compact, others
from tablebench.sets import Recipe, RecipeSet, stored

HERE = Path(__file__).parent
AVR = HERE / "avr"
READER = HERE / "reader"
FLAGS = (
    "-mmcu=atmega328p",
    "-DF_CPU=16000000UL",
    "-Os",
    "-std=gnu99",
    "-Wall",
    "-Wextra",
    "-ffunction-sections",
)
INSTALL = "apt-get install gcc-avr avr-libc binutils-avr libsimavr-dev libelf-dev gcc"


@dataclass(frozen=True)
class Reader:
    """A reader: its C files, flags, and the functions that are its code (the start of their names)."""

    name: str
    sources: tuple[str, ...]
    functions: str
    flags: tuple[str, ...] = ()


COMPACT = Reader(
    "compact", ("../reader/compact.c", "bench_compact.c"), r"compact_read", ("-DCOMPACT_LONG=0",)
)
COMPACT_LONG = Reader(
    "compact, long records too",
    ("../reader/compact.c", "bench_compact.c"),
    r"compact_read|read_long",
    ("-DCOMPACT_LONG=1",),
)
STRUCTS = Reader("C structs, pooled, u16 index", ("bench_structs.c",), r"structs_read")
MSGPACK = Reader("MessagePack walker, u16 index", ("bench_msgpack.c",), r"walk|steps|number|array")
NANOPB = Reader(
    "nanopb, u16 index", ("bench_nanopb.c",), r"message_read|pb_|load_|advance_|decode_|read|buf|Recipe|mem"
)


@dataclass(frozen=True)
class Result:
    """What one reader costs on one set, and what it read."""

    table: int
    code: int
    stack: int  # bytes, return address included
    cycles: tuple[int, ...]  # of each recipe
    recipes: tuple[Recipe | None, ...]

    @property
    def mean(self) -> float:
        return statistics.mean(self.cycles)


def tools_missing() -> bool:
    """Whether the AVR compiler or the simulator is not installed."""
    return shutil.which("avr-gcc") is None or not Path("/usr/include/simavr/sim_avr.h").exists()


def nanopb_generator() -> Path:
    """Where pip puts nanopb's generator."""
    return Path(sys.executable).parent / "nanopb_generator"


def nanopb_folder() -> Path | None:
    """Where nanopb's C files are, if they and the generator are here."""
    folder = Path(os.environ.get("NANOPB", "/usr/local/src/nanopb"))
    return folder if (folder / "pb_decode.c").exists() and nanopb_generator().exists() else None


def table_header(reader: Reader, recipes: RecipeSet) -> tuple[str, int]:
    """The text of ``table.h``, and the bytes of the table: index and dictionary included."""
    lines = [
        f"#define TABLE_RECIPES {len(recipes.recipes)}",
        f"#define TABLE_CHANNELS {recipes.channels}",
        f"#define TABLE_STAGES {recipes.stages}",
    ]
    if reader.name.startswith("compact"):
        data, _ = compact.encode(recipes)
        size = len(data)
    else:
        encoder = {STRUCTS: others.structs, MSGPACK: others.msgpack, NANOPB: others.protobuf}[reader]
        data, places = others.pool(recipes, encoder)
        if reader is not NANOPB:
            places.pop()
        size = len(data) + 2 * len(places)
        lines.append(f"#define TABLE_INDEX {{{', '.join(map(str, places))}}}")
    lines.append(f"#define TABLE_BYTES {{{', '.join(map(str, data))}}}")
    return "\n".join(lines) + "\n", size


def build_runner(folder: Path) -> Path:
    """The program that runs AVR programs and counts."""
    runner = folder / "runner"
    command = ["gcc", "-std=gnu11", "-O2", "-Wall", "-Wextra", str(AVR / "runner.c"), "-o", str(runner)]
    subprocess.run([*command, "-lsimavr", "-lelf"], check=True)
    return runner


def measure(reader: Reader, recipes: RecipeSet, runner: Path) -> Result:
    """Build the reader with this set's table, run it, and take the answers apart."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        header, size = table_header(reader, recipes)
        (folder / "table.h").write_text(header)
        sources = [AVR / "bench.c", *(AVR / source for source in reader.sources)]
        include = [f"-I{folder}", f"-I{AVR}", f"-I{READER}"]
        if reader is NANOPB:
            source = nanopb_folder()
            assert source is not None
            for file in ("recipes.proto", "recipes.options"):
                shutil.copy(AVR / file, folder)
            subprocess.run(
                [str(nanopb_generator()), "-q", "recipes.proto"], cwd=folder, env=_path(), check=True
            )
            sources += [folder / "recipes.pb.c", source / "pb_decode.c", source / "pb_common.c"]
            include.append(f"-I{source}")
        elf = folder / "bench.elf"
        command = ["avr-gcc", *FLAGS, *reader.flags, *include, "-Wl,--gc-sections", "-o", str(elf)]
        subprocess.run([*command, *map(str, sources)], check=True)
        output = subprocess.run([str(runner), str(elf)], check=True, capture_output=True, text=True).stdout
        return Result(size, code_size(elf, reader.functions), *answers(output, recipes))


def _path() -> dict[str, str]:
    """The environment in which nanopb's generator finds the protoc of grpcio-tools."""
    return {**os.environ, "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ.get('PATH', '')}"}


def code_size(elf: Path, functions: str) -> int:
    listing = subprocess.run(["avr-nm", "-S", str(elf)], check=True, capture_output=True, text=True).stdout
    sizes = re.findall(rf"^\w+ (\w+) [tT] (?:{functions})[\w.]*$", listing, re.MULTILINE)
    return sum(int(size, 16) for size in sizes)


def answers(output: str, recipes: RecipeSet) -> tuple[int, tuple[int, ...], tuple[Recipe | None, ...]]:
    lines = [line.split() for line in output.splitlines() if re.match(r"\d+ \d+ ", line)]
    marks, opened = int(lines[0][0]), lines[0][2]
    if opened != "01":
        raise ValueError("the table could not be opened")
    cycles, stacks, found = [], [], []
    for line in lines[1:]:
        cycles.append(int(line[0]) - marks)
        stacks.append(int(line[1]))
        found.append(_recipe(bytes.fromhex(line[2]), recipes.channels))
    return max(stacks), tuple(cycles), tuple(found)


def _recipe(answer: bytes, channels: int) -> Recipe | None:
    if answer[0] != 1:
        return None
    steps = [(answer[i], answer[i + 1] | answer[i + 2] << 8) for i in range(3, len(answer), 3)]
    doses = tuple(step for step in steps if step[0] < channels)
    stages = tuple((output - channels, value) for output, value in steps if output >= channels)
    return Recipe(doses, bool(answer[1]), stages, answer[2])


def report(readers: Sequence[Reader]) -> str:
    """The table of README.md."""
    lines = [
        "| reader | code B | stack B | table S / M | cycles S mean (max) | cycles M mean (max) |",
        "|---|---|---|---|---|---|",
    ]
    with tempfile.TemporaryDirectory() as name:
        runner = build_runner(Path(name))
        for reader in readers:
            s, m = (measure(reader, stored(key), runner) for key in "SM")
            lines.append(
                f"| {reader.name} | {s.code} | {max(s.stack, m.stack)} | {s.table} / {m.table} | "
                f"{s.mean:.0f} ({max(s.cycles)}) | {m.mean:.0f} ({max(m.cycles)}) |"
            )
    return "\n".join(lines)


def main() -> int:
    """Print the table."""
    if tools_missing():
        print(f"avr-gcc or the simulator is not installed: {INSTALL}", file=sys.stderr)
        return 1
    readers = [COMPACT, COMPACT_LONG, STRUCTS]
    if importlib.util.find_spec("msgpack"):
        readers.append(MSGPACK)
    if nanopb_folder() is not None:
        readers.append(NANOPB)
    print(report(readers))
    return 0


if __name__ == "__main__":
    sys.exit(main())
