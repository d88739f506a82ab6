"""What is stored on a simulated rig outlives its process, in the file that its URL names."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from avr.cart import SMALL
from dosewright.gen.cli import main
from dosewright.hil.protocols.simulated_port import SimulatedPort
from dosewright.hil.rig import open_rig, rig_url

Printed = pytest.CaptureFixture[str]


@pytest.fixture(params=["host", "avr"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A rig with the example in it; its store is a file that is not there yet."""
    return f"{request.param}://{menu(tmp_path / 'board', 20)}?store={tmp_path / 'store.bin'}"


def menu(folder: Path, lime: int) -> Path:
    """The example with so many millilitres of lime juice in a Dock Sour."""
    shutil.copytree(SMALL, folder, ignore=shutil.ignore_patterns("build"))
    book = folder / "recipes.toml"
    text = book.read_text(encoding="utf-8")
    assert text.count('"20 ml"') == 1
    book.write_text(text.replace('"20 ml"', f'"{lime} ml"'), encoding="utf-8")
    return folder


def load(url: str, folder: Path, capsys: Printed, *options: str) -> dict[str, bool]:
    """One run of ``load``, with a rig of its own: which records it wrote."""
    assert main(["load", str(folder), "--rig", url, "--yes", "--json", *options]) == 0
    done = json.loads(capsys.readouterr().out)
    return {record["name"]: record["written"] for record in done["records"]}


def test_the_next_run_finds_what_was_loaded_and_can_go_back(
    url: str, tmp_path: Path, capsys: Printed
) -> None:
    first, second = menu(tmp_path / "first", 22), menu(tmp_path / "second", 25)
    assert load(url, first, capsys) == {"recipes": True, "calibration": False}
    assert load(url, first, capsys) == {"recipes": False, "calibration": False}
    assert load(url, second, capsys) == {"recipes": True, "calibration": False}
    assert load(url, second, capsys, "--back", "recipes") == {"recipes": True}
    assert load(url, first, capsys, "--dry-run") == {"recipes": False, "calibration": False}
    assert main(["load", str(first), "--rig", url, "--dry-run"]) == 0
    assert "recipes: the same already, not written" in capsys.readouterr().out
    assert sorted(path.name for path in tmp_path.iterdir()) == ["board", "first", "second", "store.bin"]


def test_a_name_is_given_once_and_for_all(url: str, tmp_path: Path, capsys: Printed) -> None:
    board = tmp_path / "board"
    assert main(["load", str(board), "--rig", url, "--yes", "--name"]) == 0
    with open_rig(url) as rig:
        assert rig.client.identify().unit == "cart-1"
    calibration = board / "calibration.toml"
    text = calibration.read_text(encoding="utf-8")
    calibration.write_text(text.replace('"cart-1"', '"cart-2"'), encoding="utf-8")
    capsys.readouterr()
    assert main(["load", str(board), "--rig", url, "--yes"]) != 0
    assert "cart-1" in capsys.readouterr().err


def test_a_run_that_is_killed_leaves_the_file_as_it_was(url: str, tmp_path: Path, capsys: Printed) -> None:
    folder = menu(tmp_path / "first", 22)
    load(url, folder, capsys)
    kept = (tmp_path / "store.bin").read_bytes()
    with open_rig(url) as rig:
        rig.client.name_unit("cart-1")
        assert isinstance(rig.bench, SimulatedPort)
        rig.bench.bench._child.kill()
    assert (tmp_path / "store.bin").read_bytes() == kept


def test_an_image_of_another_store_is_left_alone(url: str, tmp_path: Path, capsys: Printed) -> None:
    store = tmp_path / "store.bin"
    for length in (0, 1023, 5000):
        store.write_bytes(b"\xff" * length)
        assert main(["load", str(tmp_path / "board"), "--rig", url, "--yes"]) == 3
        assert f"{store}" in capsys.readouterr().err
        assert store.read_bytes() == b"\xff" * length


def test_a_store_that_cannot_be_written_is_said_at_the_end(url: str, tmp_path: Path, capsys: Printed) -> None:
    (tmp_path / "store.bin.new").mkdir()
    assert main(["load", str(tmp_path / "board"), "--rig", url, "--yes"]) == 3
    assert f"written to {tmp_path / 'store.bin'}" in capsys.readouterr().err.replace("\n", " ")


@pytest.mark.parametrize(
    ("said", "query"),
    [
        ("wanted a file in a folder that exists", "store="),
        ("wanted a file in a folder that exists", "store=nowhere/at/all.bin"),
        ("wanted a file in a folder that exists", "vcd=."),
        ("wanted each of ppm, store, vcd once at most", "stores=a.bin"),
        ("wanted each of ppm, store, vcd once at most", "ppm=1&ppm=2"),
        ("found store; wanted each of ppm, store, vcd once at most, as KEY=VALUE", "store"),
        ("found nothing; wanted each of ppm, store, vcd once at most", ""),
        ("found nothing; wanted each of ppm, store, vcd once at most", "ppm=1&"),
        ("only a simulated board dumps its pins", "vcd=a.vcd"),
    ],
)
def test_a_setting_that_is_none(said: str, query: str, tmp_path: Path, capsys: Printed) -> None:
    board = menu(tmp_path / "board", 20)
    assert main(["load", str(board), "--rig", f"host?{query}", "--yes"]) == 3
    assert said in capsys.readouterr().err.replace("\n", " ")


def test_a_folder_may_have_a_question_mark_in_its_name(tmp_path: Path) -> None:
    folder = menu(tmp_path / "board?", 20)
    for settings in ("", "?ppm=1"):
        with open_rig(rig_url(f"host{settings}", folder)) as rig:
            assert rig.client.identify().channels == 8
