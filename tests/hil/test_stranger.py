"""The pages of the link are enough to write another client: stranger_client.py was, and it pours."""

from __future__ import annotations

import ast
import dataclasses
import importlib.util
import sys
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from dosewright.gen.emit import table_bin
from dosewright.gen.fingerprint import build_digest, interface
from dosewright.gen.plan import plan
from dosewright.hil.verdicts import Court

SOURCE = Path(__file__).with_name("stranger_client.py")


@pytest.fixture
def stranger(court: Court, built: Callable[[Court], Path]) -> Iterator[Any]:
    spec = importlib.util.spec_from_file_location("stranger_client", SOURCE)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    client = module.Stranger(str(built(court)))
    yield client
    client.close()


def test_it_is_short_and_knows_nothing_of_the_harness() -> None:
    text = SOURCE.read_text(encoding="utf-8")
    assert len(text.splitlines()) < 150
    imported = {
        (node.module if isinstance(node, ast.ImportFrom) else alias.name) or ""
        for node in ast.walk(ast.parse(text))
        if isinstance(node, (ast.Import, ast.ImportFrom))
        for alias in node.names
    }
    assert imported <= set(sys.stdlib_module_names)


def test_it_learns_who_answers(stranger: Any, court: Court) -> None:
    machine = court.compiled.machine
    found = stranger.identify()
    assert (found["protocol"], found["recipes"], found["calibration"]) == (2, 3, 1)
    assert (found["interface"], found["build"]) == (interface(machine), build_digest(machine))
    assert (found["channels"], found["outputs"], found["interlocks"], found["buttons"]) == (8, 11, 3, 2)


def test_it_pours_what_was_planned(stranger: Any, court: Court) -> None:
    compiled = court.compiled
    for index, lock in enumerate(compiled.machine.interlocks):
        stranger.line(f"in {index} {int(lock.pin.active_high)}")
    stranger.line("run 100")
    stranger.trace()
    planned = plan(compiled, compiled.recipes.recipes[1], 0)
    assert stranger.pour(planned.recipe.number, 0) == (0, 0)
    entries = []
    while not any(code == 8 for _, code, _ in entries):
        stranger.line("run 100")
        entries += stranger.trace()
    assert stranger.state() == 0
    start = next(tick for tick, code, _ in entries if code == 1)
    edges = [(tick - start, argument, code == 7) for tick, code, argument in entries if code in (6, 7)]
    assert edges == [tuple(edge) for edge in planned.edges]
    doses = [(dose.output, 1, dose.ticks, dose.ticks) for dose in planned.doses]
    assert [step for step in stranger.booked() if step[0] < 8] == doses
    assert stranger.pour(planned.recipe.number, 0) == (15, 0), "the vessel was not changed"


def test_it_loads_and_reads_back_a_record(stranger: Any, court: Court) -> None:
    limit = stranger.identify()["limit"]
    recipes, calibration = table_bin(court.compiled)
    for record in (recipes, calibration):
        assert stranger.upload(record, limit) == (0, 0)
        back = stranger.read_record(record[2:3], limit)
        assert (back[:12], back[16:-4]) == (record[:12], record[16:-4])
        assert stranger.range_crc(record[2:3], 16, len(record) - 20) == zlib.crc32(record[16:-4])
    damaged = recipes[:20] + bytes([recipes[20] ^ 1]) + recipes[21:]
    assert stranger.upload(damaged, limit) == (23, 0), "a record whose own CRC is wrong is a bad record"


def test_it_goes_back_and_names_the_unit(stranger: Any, court: Court) -> None:
    limit = stranger.identify()["limit"]
    recipes, calibration = table_bin(court.compiled)
    fewer = dataclasses.replace(court.compiled.recipes, recipes=court.compiled.recipes.recipes[:3])
    three = table_bin(dataclasses.replace(court.compiled, recipes=fewer))[0]
    for record in (recipes, three, calibration):
        assert stranger.upload(record, limit) == (0, 0)
    assert stranger.back(b"R") == (0, 0)
    assert stranger.read_record(b"R", limit) == recipes
    assert stranger.read_record(b"r", limit) == three
    assert stranger.identify()["r1"] == int.from_bytes(b"\x53\x9a", "little"), "superseded"
    assert stranger.upload(three, limit) == (0, 0) and stranger.sent == 1, "it was all there but for the mark"
    assert stranger.back(b"C") == (23, 0), "there is no older one"
    assert stranger.name_unit(b"cart-9") == (21, 0), "it runs by the calibration of cart-1"
    assert stranger.name_unit(b"cart-1") == (0, 0)
    assert stranger.identify()["name"] == b"cart-1".ljust(16, b"\0")
