"""The reader of the AVR port reads what the one in C does: recipes that are good, and recipes that rotted."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from dosewright.gen.targets import read
from odd_book import SIZES, many, record, write_headers

HERE = Path(__file__).parent
TARGETS = HERE.parents[1] / "targets"
RANDOM_ROUNDS = 400
PARTS = [
    TARGETS / "engine" / f"{part}.c" for part in ("dw_recipes", "dw_recipes_check", "dw_record", "dw_crc")
]
PORT = [TARGETS / "avr" / part for part in ("recipes.c", "next.S", "store.c")]


@pytest.mark.parametrize(("channels", "stages"), SIZES)
def test_both_readers_agree(channels: int, stages: int, tmp_path: Path) -> None:
    made = record(channels, stages)
    rounds = 8 * len(made) + RANDOM_ROUNDS
    whole, broken = compare(made, channels, stages, "atmega328p", rounds, tmp_path)
    assert whole > broken > 0


def test_both_readers_agree_on_a_large_chip_with_many_recipes(tmp_path: Path) -> None:
    whole, _ = compare(many(16, 8), 16, 8, "atmega2560", 20, tmp_path)
    assert whole > 300


def compare(
    made: bytes, channels: int, stages: int, chip: str, rounds: int, tmp_path: Path
) -> tuple[int, int]:
    """How many recipes were read whole and how many could not be, each read in both ways.

    Built as the firmware is: the compiler, optimising the program as a whole, may find a slip of the assembly
    language that it does not see in one file.
    """
    write_headers(channels, stages, tmp_path)
    folders = (tmp_path, HERE, *(TARGETS / part for part in ("engine", "avr", chip)))
    flags = [flag for flag in read(chip).build.flags if flag != "-fstack-usage"]
    flags += ["-Werror", f"-DRECORD_LENGTH={len(made)}", *(f"-I{folder}" for folder in folders)]
    program, board = tmp_path / "readers.elf", tmp_path / "rot"
    subprocess.run(["avr-gcc", *flags, "-o", str(program), HERE / "readers.c", *PARTS, *PORT], check=True)
    subprocess.run(
        ["cc", "-O2", "-Wall", "-Wextra", HERE / "rot.c", "-o", board, "-lsimavr", "-lelf"], check=True
    )
    done = subprocess.run([board, program, chip, str(rounds)], input=made, capture_output=True)
    assert done.returncode == 0, done.stdout.decode() + done.stderr.decode()
    whole, broken = map(int, done.stdout.split()[-2:])
    return whole, broken
