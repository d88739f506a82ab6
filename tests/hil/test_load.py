"""The verb load on a controller that keeps its store: change, back, name, dry run, resume."""

from __future__ import annotations

import dataclasses
import json
import shutil
import struct
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dosewright.gen.cli import main
from dosewright.gen.emit import table_bin
from dosewright.hil.client import Client
from dosewright.hil.messages import Request, Slot
from dosewright.hil.rig import open_rig
from dosewright.hil.verdicts import Court
from other_tables import changed

EXAMPLE = Path(__file__).parents[2] / "examples" / "soda-cart"
LESS_LIME = (
    "Dock Sour: lime juice (line C) 20.0 ml -> 15.0 ml, soda (line G) 115.0 ml -> 120.0 ml (at regular)"
)

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="a shell script stands for the board")


@pytest.fixture
def cart(tmp_path: Path) -> Path:
    folder = tmp_path / "cart"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("build"))
    return folder


@pytest.fixture
def board(court: Court, built: Callable[[Court], Path], tmp_path: Path) -> str:
    """The URL of a controller whose store outlives the process."""
    script = tmp_path / "board"
    script.write_text(f'#!/bin/sh\nexec "{built(court)}" --store "{tmp_path / "store"}"\n')
    script.chmod(0o755)
    return f"host://{script}"


def edit(cart: Path, name: str, old: str, new: str) -> None:
    text = (cart / name).read_text()
    assert text.count(old) == 1
    (cart / name).write_text(text.replace(old, new))


def told(cart: Path, board: str, capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    assert main(["load", str(cart), "--rig", board, "--json", *words]) == 0
    return json.loads(capsys.readouterr().out)


def in_force(board: str) -> bytes:
    with open_rig(board) as rig:
        return rig.client.read(b"R", 0, int.from_bytes(rig.client.read(b"R", 4, 4), "little"))


def test_back_to_what_was_loaded_before(cart: Path, board: str, capsys: pytest.CaptureFixture[str]) -> None:
    edit(cart, "recipes.toml", '[recipe."Plain Soda"]\nnumber = 10', '[recipe."Plain Soda"]\nnumber = 20')
    assert told(cart, board, capsys)["records"][0]["changes"] == ["Plain Soda: number 10 -> 20"]
    old = in_force(board)
    edit(cart, "recipes.toml", '"lime juice" = "20 ml"', '"lime juice" = "15 ml"')
    assert told(cart, board, capsys)["records"][0]["changes"] == [LESS_LIME]
    new = in_force(board)
    assert old != new

    assert main(["load", str(cart), "--rig", board, "--back", "recipes"]) == 0
    said = capsys.readouterr().out
    assert "lime juice (line C) 15.0 ml -> 20.0 ml" in said and "until the next load" in said
    assert in_force(board) == old
    assert told(cart, board, capsys, "--back", "recipes")["records"][0]["changes"] == [LESS_LIME]
    assert in_force(board) == new


def test_a_dry_run_writes_nothing(cart: Path, board: str, capsys: pytest.CaptureFixture[str]) -> None:
    before = in_force(board)
    edit(cart, "recipes.toml", '"lime juice" = "20 ml"', '"lime juice" = "15 ml"')
    value = told(cart, board, capsys, "--dry-run")
    assert value["records"][0]["changes"] == [LESS_LIME] and value["written"] is None
    assert not value["records"][0]["written"] and value["pours"] == []
    assert in_force(board) == before


def test_recipes_that_leave_are_named(cart: Path, board: str, capsys: pytest.CaptureFixture[str]) -> None:
    edit(cart, "loaded.toml", 'B = { liquid = "berry syrup", left = "1.1 l" }\n', "")
    assert told(cart, board, capsys, "--dry-run")["records"][0]["changes"] == [
        "4 recipes leave: Berry Buoy, Breakwater, Seven Bells, Berry Mint Cooler"
    ]


def test_the_unit_gets_its_name_once(cart: Path, board: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["load", str(cart), "--rig", board]) == 0
    assert "this controller has no name" in capsys.readouterr().out
    assert main(["load", str(cart), "--rig", board, "--name"]) == 0
    assert "this controller is called cart-1" in capsys.readouterr().out
    assert told(cart, board, capsys, "--name")["controller"]["unit"] == "cart-1", (
        "the same name again is no mistake"
    )
    edit(cart, "calibration.toml", 'unit = "cart-1"', 'unit = "cart-2"')
    assert main(["load", str(cart), "--rig", board]) == 3
    said = capsys.readouterr().err
    assert "the controller is unit 'cart-1'" in said and "'cart-2'; calibration.toml is stale" in said
    edit(cart, "calibration.toml", 'unit = "cart-2"\n', "")
    assert main(["load", str(cart), "--rig", board, "--name"]) == 1
    assert 'write unit = "..."' in capsys.readouterr().err


def test_what_is_wrong_with_a_slot_is_said(
    cart: Path, board: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    edit(cart, "recipes.toml", '"lime juice" = "20 ml"', '"lime juice" = "15 ml"')
    with open_rig(board) as rig:
        rig.client.identify()
        rig.client.ask(Request.UPLOAD_BEGIN, b"R" + struct.pack("<I", 100))
    assert main(["load", str(cart), "--rig", board]) == 0
    assert "an upload was cut short; it goes on where it ended" in capsys.readouterr().out
    store = tmp_path / "store"
    image = bytearray(store.read_bytes())
    image[image.index(b"DWR") + 40] ^= 1
    store.write_bytes(image)
    assert main(["load", str(cart), "--rig", board]) == 0
    said = capsys.readouterr().out
    assert "what is stored there is damaged" in said and "the recipes are new" in said
    assert main(["load", str(cart), "--rig", board]) == 0
    assert "recipes: the same already, not written" in capsys.readouterr().out


def requests_of(client: Client, monkeypatch: pytest.MonkeyPatch) -> list[tuple[Request, bytes]]:
    made: list[tuple[Request, bytes]] = []
    ask = client.ask

    def noted(request: Request, payload: bytes = b"") -> Any:
        made.append((request, payload))
        return ask(request, payload)

    monkeypatch.setattr(client, "ask", noted)
    return made


def test_an_upload_cut_short_goes_on_where_it_ended(
    board: str, court: Court, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = table_bin(changed(court.compiled))[0]
    half = len(record) // 2
    with open_rig(board) as rig:
        rig.client.identify()
        rig.client.ask(Request.UPLOAD_BEGIN, b"R" + struct.pack("<I", len(record)))
        rig.client.ask(Request.UPLOAD_CHUNK, struct.pack("<I", 0) + record[:half])
    with open_rig(board) as rig:
        assert rig.client.identify().slots[b"R"] == (Slot.OPEN, Slot.UNUSED)
        made = requests_of(rig.client, monkeypatch)
        sent = rig.client.upload(b"R", record)
        offsets = [struct.unpack_from("<I", data)[0] for kind, data in made if kind == Request.UPLOAD_CHUNK]
        assert sent < len(record) - half + 250 and sent == sum(
            len(data) - 4 for kind, data in made if kind == Request.UPLOAD_CHUNK
        )
        assert offsets == sorted(offsets)
        assert rig.client.read(b"R", 0, len(record)) == record
        assert rig.client.identify().slots[b"R"] == (Slot.COMMITTED, Slot.SUPERSEDED)


def test_only_what_differs_is_sent(board: str, court: Court) -> None:
    """Two tables that differ in one serving by one quantum, to and fro between the two slots."""
    one = table_bin(court.compiled)[0]
    servings = (court.compiled.recipes.servings[0] + 1, *court.compiled.recipes.servings[1:])
    recipes = dataclasses.replace(court.compiled.recipes, servings=servings)
    other = table_bin(dataclasses.replace(court.compiled, recipes=recipes))[0]
    assert len(one) == len(other) and one[:-4] != other[:-4]
    with open_rig(board) as rig:
        rig.client.identify()
        assert rig.client.upload(b"R", one) == len(one)
        assert rig.client.upload(b"R", one) == len(one), "the other slot was still empty"
        assert rig.client.upload(b"R", one) == 4, "the CRC alone"
        assert 4 < rig.client.upload(b"R", other) <= 250 + 4
        assert rig.client.read(b"R", 0, len(other)) == other
