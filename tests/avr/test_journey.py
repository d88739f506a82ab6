"""The README's first journey: a changed menu onto a simulated board, as printed there."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from dosewright.gen.cli import main

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "examples" / "soda-cart"


def test_a_new_recipe_set_onto_the_board(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = (ROOT / "README.md").read_text(encoding="utf-8")
    (shown,) = re.findall(r"^   ```\n(   recipes: .*?)^   ```$", page, re.MULTILINE | re.DOTALL)
    cart = tmp_path / "cart"
    shutil.copytree(EXAMPLE, cart, ignore=shutil.ignore_patterns("build"))
    book = cart / "recipes.toml"
    book.write_text(book.read_text(encoding="utf-8").replace('"20 ml"', '"22 ml"'), encoding="utf-8")
    assert main(["load", str(cart), "--rig", f"avr://{EXAMPLE}", "--yes"]) == 0
    printed = [line.rstrip() for line in capsys.readouterr().out.splitlines()]
    wanted = [line.removeprefix("   ") for line in shown.splitlines()]
    assert [line for line in wanted if line not in [*printed, "..."]] == []
    places = [printed.index(line) for line in wanted if line != "..."]
    assert places == sorted(places)
