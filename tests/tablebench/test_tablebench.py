"""The compact table: its bytes against the page, its reader against the data, and what both cost.

Outside checks: the MessagePack library for Python (PyPI ``msgpack``) writes the bytes of that comparison;
nanopb (its C library and its generator) reads the bytes of the other, written here after the public
description of the Protocol Buffers wire format. Cycles are counted by simavr.
"""

from __future__ import annotations

import importlib.util
import random
import re
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tablebench import compact, engine, measure, others
from tablebench.sets import Recipe, RecipeSet, drawn, stored
from tools import missing, need

HERE = Path(__file__).parent
STEPS_MAX = 40  # of the reader built for this computer


def read_page_bytes(table: bytes, count: int, channels: int, stages: int) -> tuple[list[Recipe], list[bool]]:
    """A table read by the page alone: recipes, and the marks of all long steps. No code of compact.py."""
    low = 5 if channels <= 8 and stages <= 4 else 4
    stream = iter(table)

    def number(source: Iterator[int]) -> int:
        total = 0
        for byte in source:
            total += byte
            if byte != 255:
                break
        return total

    entries, grain, both = (next(stream) for _ in range(3))
    words = [next(stream) * grain for _ in range(entries)]
    index = [number(stream) for _ in range((count - 1) // 16)]
    rest = list(stream)
    at, starts, recipes, after = 0, [], [], []
    for _ in range(count):
        starts.append(at)
        head = rest[at]
        long = head < 16
        size = rest[at + 1] if long else head >> 4
        at += 2 if long else 1
        record = iter(rest[at : at + size])
        at += size
        marks = [0, both % 16, both // 16][head % 4] if head % 4 < 3 else next(record)
        more = bool(head & 4)
        doses, timed = [], []
        for byte in record:
            if long:
                output, is_dose, value = byte % 128, byte % 128 < channels, next(record)
                if value == 0:
                    value = int.from_bytes([next(record) for _ in range(2 if is_dose else 4)], "little")
                after.append(byte >= 128)
            else:
                output, code = byte >> low, byte % (1 << low)
                value = words[code] if code < entries else number(record)
                is_dose = not more
                if more:
                    top = 1 << (7 - low)
                    more, output = output >= top, channels + output % top
            (doses if is_dose else timed).append((output if is_dose else output - channels, value))
        recipes.append(Recipe(tuple(doses), bool(head & 8), tuple(timed), marks))
    assert at == len(rest)
    starts.append(at)
    assert index == [starts[16 * b + 16] - starts[16 * b] for b in range(len(index))]
    return recipes, after


@pytest.fixture(scope="session")
def runner(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program that runs AVR programs and counts their cycles."""
    need("gcc")
    if measure.tools_missing():
        missing("avr-gcc or simavr", measure.INSTALL)
    return measure.build_runner(tmp_path_factory.mktemp("runner"))


@pytest.fixture(scope="session")
def results(runner: Path) -> Callable[[measure.Reader, str], measure.Result]:
    """The result of a reader on a set, measured once."""
    found: dict[tuple[str, str], measure.Result] = {}

    def result(reader: measure.Reader, name: str) -> measure.Result:
        key = (reader.name, name)
        if key not in found:
            found[key] = measure.measure(reader, stored(name), runner)
        return found[key]

    return result


@pytest.fixture(scope="session")
def host_reader(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., str]:
    """The same C reader on this computer, under the sanitizers, for machines of any shape."""
    need("gcc")
    folder = tmp_path_factory.mktemp("host")

    def run(table: bytes, count: int, channels: int, stages: int, long: bool = True, rounds: int = 0) -> str:
        program = folder / f"tell-{channels}-{stages}-{long:d}"
        if not program.exists():
            command = [
                "gcc",
                "-std=c99",
                "-O1",
                "-g",
                "-Wall",
                "-Wextra",
                "-Wpedantic",
                "-Wconversion",
                "-Werror",
            ]
            command += ["-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
            command += [
                f"-DCOMPACT_STEPS_MAX={STEPS_MAX}u",
                f"-DCOMPACT_CHANNELS={channels}",
                f"-DCOMPACT_STAGES={stages}",
                f"-DCOMPACT_LONG={long:d}",
            ]
            command += [f"-I{HERE / 'host'}", f"-I{HERE / 'reader'}"]
            command += [str(HERE / "reader" / "compact.c"), str(HERE / "host" / "tell.c"), "-o", str(program)]
            subprocess.run(command, check=True)
        arguments = [str(program), str(count), *([str(rounds)] if rounds else [])]
        done = subprocess.run(arguments, input=table, capture_output=True)
        assert done.returncode == 0, done.stderr.decode() or done.stdout.decode()
        return done.stdout.decode()

    return run


def as_told(recipe: Recipe, channels: int) -> str:
    """A recipe as tell.c prints it."""
    steps = [(channels + kind, value) for kind, value in recipe.stages] + list(recipe.doses)
    return " ".join([f"{recipe.given:d} {recipe.flags}", *(f"{output}:{value}" for output, value in steps)])


def odd_set(seed: int) -> RecipeSet:
    """A set of any shape with values over the whole range, as machines beyond the two sets have them."""
    rng = random.Random(seed)
    channels = rng.choice((1, 7, 8, 9, 16, 17, 40))
    stages = rng.choice((1, 4, 5, 8, 9, 16))
    recipes = []
    for _ in range(rng.choice((1, 15, 16, 17, 33, 90))):
        chosen = rng.sample(range(channels), rng.randint(1, min(channels, 11)))
        top = rng.choice((40, 255, 256, 4095))
        timed = [
            (rng.randrange(stages), rng.choice((1, 254, 255, 256, 510, 65_536, 2**31 - 1)))
            for _ in range(rng.choice((0, 0, 1, 2, 5)))
        ]
        doses = tuple((channel, rng.randint(1, top)) for channel in chosen)
        recipes.append(Recipe(doses, rng.random() < 0.5, tuple(timed), rng.choice((0, 0, 1, 5, 15))))
    return RecipeSet(channels, stages, tuple(recipes))


def example_tables() -> list[bytes]:
    """The tables written out in the page's example."""
    page = (HERE / "README.md").read_text().split("## Example")[1]
    return [bytes.fromhex(block) for block in re.findall(r"```\n([0-9a-f \n]+)```", page)]


EXAMPLE = (
    Recipe(((2, 60), (0, 30)), False, ((1, 50),), 0),
    Recipe(((5, 30), (1, 188)), True, (), 4),
    Recipe(((3, 600), (4, 60), (0, 30)), False, ((0, 50), (1, 60)), 0),
)
LONG_EXAMPLE = (Recipe(((2, 2000), (18, 30)), False, ((1, 70_000),), 0),)


def test_the_example_of_the_page() -> None:
    short, long = example_tables()
    assert read_page_bytes(short, 3, 8, 2)[0] == list(EXAMPLE)
    assert read_page_bytes(long, 1, 20, 2)[0] == list(LONG_EXAMPLE)
    assert compact.encode(RecipeSet(8, 2, EXAMPLE))[0] == short
    assert compact.encode(RecipeSet(20, 2, LONG_EXAMPLE))[0] == long


@pytest.mark.parametrize(("name", "most"), [("S", 170), ("M", 720)])
def test_small(name: str, most: int) -> None:
    recipes = stored(name)
    table, sizes = compact.encode(recipes)
    assert len(table) == sizes.total <= most
    found, _ = read_page_bytes(table, len(recipes.recipes), recipes.channels, recipes.stages)
    assert [recipe.plain() for recipe in found] == [recipe.plain() for recipe in recipes.recipes]
    assert found == [recipe.in_pour_order() for recipe in recipes.recipes]


@pytest.mark.parametrize(("channels", "count", "stages"), [(8, 24, 4), (16, 100, 6), (64, 500, 8)])
def test_small_on_other_sets_too(channels: int, count: int, stages: int) -> None:
    for seed in range(10):
        recipes = drawn(channels, count, stages, seed)
        table, _ = compact.encode(recipes)
        pooled = len(others.pool(recipes, others.structs)[0]) + 2 * count
        assert len(table) < pooled * (0.65 if channels <= 16 else 0.95)
        assert read_page_bytes(table, count, channels, stages)[0] == [
            r.in_pour_order() for r in recipes.recipes
        ]


@pytest.mark.parametrize("name", ["S", "M"])
def test_quick_and_small_on_the_controller(results, name: str) -> None:  # type: ignore[no-untyped-def]
    result = results(measure.COMPACT, name)
    assert result.recipes == tuple(recipe.in_pour_order() for recipe in stored(name).recipes)
    assert result.mean <= 600
    assert result.code <= 450
    assert result.stack <= 24


@pytest.mark.parametrize("name", ["S", "M"])
def test_the_reader_of_long_records_reads_the_same(results, name: str) -> None:  # type: ignore[no-untyped-def]
    assert results(measure.COMPACT_LONG, name).recipes == results(measure.COMPACT, name).recipes


@pytest.mark.parametrize("name", ["S", "M"])
def test_beside_pooled_structs(results, name: str) -> None:  # type: ignore[no-untyped-def]
    structs = results(measure.STRUCTS, name)
    assert structs.recipes == stored(name).recipes
    assert results(measure.COMPACT, name).table < 0.6 * structs.table


@pytest.mark.parametrize("name", ["S", "M"])
def test_beside_messagepack(results, name: str) -> None:  # type: ignore[no-untyped-def]
    if not importlib.util.find_spec("msgpack"):
        missing("msgpack", "pip install msgpack")
    walker = results(measure.MSGPACK, name)
    assert walker.recipes == stored(name).recipes
    assert results(measure.COMPACT, name).table < 0.5 * walker.table
    assert results(measure.COMPACT, name).mean < walker.mean


@pytest.mark.parametrize("name", ["S", "M"])
def test_beside_nanopb(results, name: str) -> None:  # type: ignore[no-untyped-def]
    if measure.nanopb_folder() is None:
        missing(
            "nanopb", "pip install nanopb grpcio-tools; tests/tablebench/fetch-nanopb /usr/local/src/nanopb"
        )
    nanopb = results(measure.NANOPB, name)
    assert nanopb.recipes == stored(name).recipes
    assert results(measure.COMPACT, name).table < 0.5 * nanopb.table
    assert results(measure.COMPACT, name).mean < nanopb.mean / 10
    assert results(measure.COMPACT, name).code < nanopb.code / 10


@pytest.mark.parametrize("from_store", [False, True], ids=["program memory", "EEPROM"])
@pytest.mark.parametrize(("name", "most"), [("S", 170), ("M", 720)])
def test_the_table_and_the_reader_of_the_engine(runner: Path, name: str, most: int, from_store: bool) -> None:
    """The bytes are those of the fields that the sets have. From the EEPROM a byte takes 15 cycles more."""
    recipes = stored(name)
    result = engine.measure(recipes, runner, from_store)
    assert result.recipes == tuple(engine.as_poured(recipe) for recipe in recipes.recipes)
    assert result.fields <= most
    assert result.mean <= (920 if from_store else 600)
    assert result.code <= 450
    assert result.stack <= 24


@pytest.mark.parametrize("from_store", [False, True], ids=["program memory", "EEPROM"])
def test_the_reader_as_the_firmware_has_it(runner: Path, from_store: bool) -> None:
    recipes = stored("M")
    result = engine.measure(recipes, runner, from_store, engine.AS_BUILT)
    assert result.recipes == tuple(engine.as_poured(recipe) for recipe in recipes.recipes)
    assert result.mean <= (920 if from_store else 600)
    assert result.code <= 450
    assert result.stack <= 24


@pytest.mark.parametrize("seed", range(12))
def test_any_machine_and_any_value(host_reader, seed: int) -> None:  # type: ignore[no-untyped-def]
    recipes = odd_set(seed)
    table, _ = compact.encode(recipes)
    wanted = [as_told(recipe.in_pour_order(), recipes.channels) for recipe in recipes.recipes]
    told = host_reader(table, len(recipes.recipes), recipes.channels, recipes.stages)
    assert told.splitlines() == [*wanted, "good"]
    found, after = read_page_bytes(table, len(recipes.recipes), recipes.channels, recipes.stages)
    assert found == [recipe.in_pour_order() for recipe in recipes.recipes]
    assert not any(after)


def test_a_mark_on_a_long_step(host_reader) -> None:  # type: ignore[no-untyped-def]
    table = bytes.fromhex("00 01 00 00 04 01 1e 82 28")
    assert host_reader(table, 1, 20, 2).splitlines() == ["0 0 1:30 130:40", "good"]


BAD = {
    "no bytes": "",
    "a head cut off": "00 01",
    "no grain": "01 00 00 06 10 20",
    "a coarse grain": "01 11 00 06 10 20",
    "more entries than bytes": "05 01 00 06 10",
    "an entry of nothing": "01 01 00 00 10 20",
    "no recipes": "01 01 00 06",
}


@pytest.mark.parametrize("what", BAD)
def test_a_head_that_breaks_a_rule_is_refused(host_reader, what: str) -> None:  # type: ignore[no-untyped-def]
    assert host_reader(bytes.fromhex(BAD[what]), 1, 6, 2).splitlines() == ["refused"]


BAD_RECIPES = {
    "longer than the table": "30 20 00",
    "no such channel": "20 00 c0",
    "no such stage": "24 40 00",
    "stages without an end": "24 a0 a0",
    "a value cut off": "10 1f",
    "a value that goes on behind the recipe": "20 1f ff",
    "a value of nothing": "20 1f 00",
    "marks cut off": "03 00",
    "an output too high": "00 02 08 01",
    "a long step cut off": "00 03 01 00 01",
    "a long step of nothing": "00 04 01 00 00 00",
    "a weight of more than 12 bits": "00 04 01 00 00 10",
    "a duration of 2^31": "00 08 06 00 00 00 00 80 01 01",
}
BAD_ON_THE_WHOLE = {
    "no steps": "03 01 04",
    "no dose": "14 00",
    "a channel twice": "20 00 00",
    "a channel twice in a long record": "00 04 01 01 01 02",
}


@pytest.mark.parametrize("what", BAD_RECIPES)
def test_a_recipe_that_breaks_a_rule_is_not_read(host_reader, what: str) -> None:  # type: ignore[no-untyped-def]
    table = bytes.fromhex("01 01 00 06" + BAD_RECIPES[what])
    assert host_reader(table, 1, 6, 2).splitlines() == ["bad", "bad"]


@pytest.mark.parametrize("what", BAD_ON_THE_WHOLE)
def test_a_recipe_that_cannot_be_meant_is_found_at_once(host_reader, what: str) -> None:  # type: ignore[no-untyped-def]
    table = bytes.fromhex("01 01 00 06" + BAD_ON_THE_WHOLE[what])
    told = host_reader(table, 1, 6, 2).splitlines()
    assert told[0] != "bad" and told[1] == "bad"


@pytest.mark.parametrize(
    ("count", "weight", "wanted"),
    [(16, 4095, "good"), (16, 4096, "bad"), (17, 4095, "bad"), (17, 3000, "good")],
)
def test_a_sum_of_weights_has_16_bits(host_reader, count: int, weight: int, wanted: str) -> None:  # type: ignore[no-untyped-def]
    steps = b"".join(bytes([channel, 0]) + weight.to_bytes(2, "little") for channel in range(count))
    assert host_reader(bytes([0, 1, 0, 0, len(steps)]) + steps, 1, 20, 2).splitlines()[-1] == wanted


@pytest.mark.parametrize(("count", "wanted"), [(STEPS_MAX, "good"), (STEPS_MAX + 1, "bad")])
def test_no_more_steps_than_there_is_room_for(host_reader, count: int, wanted: str) -> None:  # type: ignore[no-untyped-def]
    steps = b"\x00\x01" + b"\x14\x01" * (count - 1)
    assert host_reader(bytes([0, 1, 0, 0, len(steps)]) + steps, 1, 20, 2).splitlines()[-1] == wanted


@pytest.mark.parametrize("long", [False, True])
@pytest.mark.parametrize("name", ["S", "M", "odd"])
def test_nothing_is_read_outside_the_table_whatever_its_bytes(host_reader, name: str, long: bool) -> None:  # type: ignore[no-untyped-def]
    recipes = odd_set(5) if name == "odd" else stored(name)
    table, _ = compact.encode(recipes)
    told = host_reader(table, len(recipes.recipes), recipes.channels, recipes.stages, long=long, rounds=3_000)
    words = told.split()
    found = dict(zip(words[::2], map(int, words[1::2]), strict=True))
    assert found["refused"] > 0 and found["bad"] > 0 and found["read"] > 0
