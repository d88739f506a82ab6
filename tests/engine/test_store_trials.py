"""The store tried to the end: power cut in every byte write, and bits flipped by the million.

``store_cuts.c`` and ``store_flips.c`` try it in one process, on the engine's own sources.
``pytest -rP`` shows the counts.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable

import pytest

from engine.client import Dose, recipes
from engine.conftest import ENGINE, TESTS, WARNINGS, WITHOUT_LINK, built_in
from engine.shop import TICK
from engine.test_engine_store import FILLER, NEW, OLD, THIRD
from tools import need

Trial = Callable[..., list[str]]

SMALL = recipes([TICK], {1: [Dose(0, 1)]})
LARGE = recipes(
    [n * 37 * TICK for n in range(1, 6)],
    {n: [Dose(0, 17 * n + 1), Dose(1, 4095 - n)] for n in range(1, 33)},
)
MILLION = 1_000_000


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Trial:
    """Runs the program with some records; its lines."""
    need("cc")
    folder = tmp_path_factory.mktemp("trial")
    # what is built in is of the unit that the tests name, else it would not be in force after
    (folder / "table.h").write_text(built_in(unit="cart 1"))
    includes = [folder, TESTS / "store", TESTS / "cart", TESTS, ENGINE]
    engine = [TESTS / "store_trial.c", *WITHOUT_LINK]
    compiler = shutil.which("cc")
    assert compiler
    command = [compiler, *WARNINGS, "-O2", *(f"-I{i}" for i in includes), *map(str, engine)]
    for name in ("store_cuts", "store_flips"):
        subprocess.run([*command, str(TESTS / f"{name}.c"), "-o", folder / name], check=True)

    def run(name: str, *words: str, **records: bytes) -> list[str]:
        given = "".join(f"{name.replace('_', '.')} {record.hex()}\n" for name, record in records.items())
        done = subprocess.run([folder / name, *words], input=given, capture_output=True, text=True)
        print(done.stdout)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout.splitlines()

    return run


def in_slots() -> dict[str, bytes]:
    named = {"filler": FILLER, "old": OLD, "new": NEW, "third": THIRD}
    return {f"{kind}_{name}": records[kind] for name, records in named.items() for kind in "RC"}


def test_power_cut_in_every_write_with_every_value_torn(trial: Trial) -> None:
    """Always the whole old or the whole new, nothing else touched, and the next upload works."""
    lines = trial("store_cuts", "cuts", **in_slots())
    counts = [[int(n) for n in re.findall(r"\d+", line.split(":")[1])] for line in lines]
    assert len(lines) == 3 * 3 + 2, "recipes, calibration and name from three beginnings; back twice"
    for line, (writes, cuts, _, kept) in zip(lines, counts, strict=True):
        assert cuts == 257 * writes and 0 < kept < cuts, line
    print(f"{sum(n[1] + n[2] for n in counts)} power cuts in all")
    assert min(writes for line, (writes, *_) in zip(lines, counts, strict=True) if "back" not in line) > 8
    assert sum(again for _, _, again, _ in counts) > 1000, "the start after a cut writes, and was cut itself"


def test_a_worn_cell_is_told(trial: Trial) -> None:
    """It keeps its old byte without saying so: done is only told of what is in force over a reset."""
    done, failed = map(int, re.findall(r"\d+", trial("store_cuts", "stuck", **in_slots())[0]))
    assert done + failed == 1023 and failed > 20


def test_every_flip_of_up_to_three_bits_in_a_small_record_is_refused(trial: Trial) -> None:
    """CRC-32 of IEEE 802.3 finds all of them (Koopman, DSN 2002: four bits at least, up to 91 607 bits)."""
    bits = 8 * len(SMALL)
    wanted = bits + bits * (bits - 1) // 2 + bits * (bits - 1) * (bits - 2) // 6
    assert trial("store_flips", "R", "0", R=SMALL) == [
        f"all of 1, 2 and 3 bits of {bits}: {wanted} cases, 0 passed"
    ]


@pytest.mark.parametrize(("name", "record"), [("R", LARGE), ("C", NEW["C"])], ids=["recipes", "calibration"])
def test_a_million_flips_each_of_one_to_four_bits_are_refused(trial: Trial, name: str, record: bytes) -> None:
    bits = 8 * len(record)
    assert trial("store_flips", name, str(MILLION), **{name: record}) == [
        f"{count} of {bits} bits: {MILLION} cases, 0 passed" for count in (1, 2, 3, 4)
    ]


def test_how_an_upload_wears_the_store(trial: Trial) -> None:
    """EEPROM endurance: 100 000 write/erase cycles (data sheet of the ATmega328P, features; from memory)."""
    uploads = 4000
    for line in trial("store_cuts", "wear", str(uploads), **in_slots()):
        most = int(line.split(", ")[-1].split()[0])
        print(f"{line}: {most / uploads:g} an upload, {100_000 * uploads // most} uploads in 100 000 cycles")
        assert most <= 1.5 * uploads + 2, "a mark: open, committed and superseded in two uploads"
