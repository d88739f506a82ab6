"""Recipes whose bytes are anything: the reader stays within the record, before and after the check of it."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from engine.conftest import ENGINE, HOST, TESTS, compile_c
from odd_book import SIZES, record, write_headers

ROUNDS = 4_000


def build(name: str, channels: int, stages: int, folder: Path) -> Path:
    """The program of this name, with the reader for a machine of this size."""
    write_headers(channels, stages, folder)
    parts = ("dw_recipes", "dw_recipes_read", "dw_recipes_check", "dw_record", "dw_crc")
    sources = [TESTS / f"{name}.c", *(ENGINE / f"{part}.c" for part in parts)]
    return compile_c(sources, [folder, ENGINE, HOST], folder / name)


@pytest.mark.parametrize(("channels", "stages"), SIZES)
def test_nothing_outside_the_record_is_read(channels: int, stages: int, tmp_path: Path) -> None:
    program = build("rotten", channels, stages, tmp_path)
    done = subprocess.run([program, str(ROUNDS)], input=record(channels, stages), capture_output=True)
    assert done.returncode == 0, done.stdout.decode() + done.stderr.decode()[-2000:]
    refused, taken, whole, rotten = map(int, done.stdout.split())
    assert refused + taken == ROUNDS
    assert refused > 0 and taken > 0 and whole > 0 and rotten > 0


@pytest.mark.parametrize(("channels", "stages"), SIZES)
def test_a_recipe_ends_where_the_body_does_and_has_no_more_steps_than_there_is_room_for(
    channels: int, stages: int, tmp_path: Path
) -> None:
    done = subprocess.run([build("ends", channels, stages, tmp_path)], capture_output=True)
    assert done.returncode == 0, done.stdout.decode() + done.stderr.decode()[-2000:]
