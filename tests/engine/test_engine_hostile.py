"""Bytes that rot in the store, records that lie with a good CRC, a line full of noise; under sanitisers."""

from __future__ import annotations

import subprocess
from collections.abc import Callable

import pytest

from engine.client import calibration, recipes
from engine.conftest import ENGINE, TESTS, compile_c
from engine.shop import BOOK, SERVINGS, offset

RECORDS = (recipes(SERVINGS, BOOK).hex(), calibration([offset(1), offset(-2)]).hex())


@pytest.fixture(scope="session")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., dict[str, int]]:
    """Runs ``hostile.c``; returns its figures."""
    program = tmp_path_factory.mktemp("hostile") / "hostile"
    sources = [TESTS / "hostile.c", TESTS / "noise.c", *sorted(ENGINE.glob("dw_*.c"))]
    compile_c(sources, [TESTS / "cart", TESTS / "fuzz", TESTS, ENGINE], program)

    def run(*words: str | int) -> dict[str, int]:
        done = subprocess.run([program, *map(str, words), *RECORDS], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr[-2000:]
        return {word: int(number) for word, number in map(str.split, done.stdout.splitlines())}

    return run


def test_a_byte_that_rots_after_the_check_does_no_harm(hostile: Callable[..., dict[str, int]]) -> None:
    """Each byte of both records, each value: what is poured has outputs that exist and keeps max_on."""
    figures = hostile("rot")
    assert figures["tried"] == 256 * sum(len(record) // 2 for record in RECORDS)
    assert figures["accepted"] > figures["tried"]


def test_records_that_lie_with_a_good_crc(hostile: Callable[..., dict[str, int]]) -> None:
    figures = hostile("mutate", 5, 20_000)
    assert 0 < figures["taken"] < figures["tried"]


def test_a_million_bytes_move_no_edge(hostile: Callable[..., dict[str, int]]) -> None:
    """Noise and frames by turns, whole, damaged and cut off, while it pours; the stop button is heard."""
    figures = hostile("flood", 3, 1_000_000)
    assert figures["bytes"] >= 1_000_000
    assert figures["frames"] > 1000
