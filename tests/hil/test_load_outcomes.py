"""Who does not fit, and all that load prints from one end to the other, in whole sentences."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from dosewright.gen.cli import main
from dosewright.gen.fingerprint import build_digest, interface
from dosewright.gen.lower import Compiled
from dosewright.hil.client import Client
from dosewright.hil.rig import open_rig
from dosewright.hil.trouble import RigTrouble
from dosewright.hil.upload import fits
from dosewright.hil.verdicts import Court
from project_files import changed, example, put
from stand import EXAMPLE

Built = Callable[[Court], Path]
FLASH = "dosewright flash my-cart --rig COM9"
LEFT_OUT = [
    "left out: Foghorn (not loaded: chilli syrup)",
    "left out: Orchard Jetty (not loaded: apple juice)",
]
LESS_LIME = ("recipes.toml", '"lime juice" = "20 ml"', '"lime juice" = "15 ml"')
SLOWER = ("calibration.toml", 'C = { rate = "98 ml/min"', 'C = { rate = "97 ml/min"')


@pytest.fixture
def client(court: Court, built: Built, monkeypatch: pytest.MonkeyPatch) -> Iterator[Client]:
    with open_rig(f"host://{built(court)}", Path("my-cart")) as rig:
        monkeypatch.setattr(rig.client, "name", "COM9")
        yield rig.client


def misfit(client: Client, compiled: Compiled, monkeypatch: pytest.MonkeyPatch, **found: Any) -> str:
    """What is said of the controller when it tells this of itself."""
    identity = dataclasses.replace(client.identify(), **found)
    monkeypatch.setattr(client, "identify", lambda: identity)
    with pytest.raises(RigTrouble) as caught:
        fits(client, compiled)
    return str(caught.value)


@pytest.mark.parametrize(
    ("found", "sentence"),
    [
        (
            {"recipes_format": 2},
            "COM9: the controller reads recipes of format 2, this tool writes format 3; the firmware is "
            f"stale: mend it with {FLASH}",
        ),
        (
            {"calibration_format": 9},
            "COM9: the controller reads calibration of format 9, this tool writes format 1; this tool is "
            "stale: update dosewright",
        ),
        (
            {"interface": 0x1234},
            "COM9: the controller was built for other channels or stages (interface 00001234) than this "
            "project has (interface {interface}); if the project is the right one, the firmware is stale: "
            f"mend it with {FLASH}",
        ),
        (
            {"build": bytes(range(8))},
            "COM9: the controller was built from another machine.toml (build 0001020304050607) than this one "
            "(build {build}): pins, limits or interlocks differ; if the project is the right one, the "
            f"firmware is stale: mend it with {FLASH}",
        ),
        (
            {"unit": "cart-2"},
            "COM9: the controller is unit 'cart-2', calibration.toml was measured on unit 'cart-1'; "
            "calibration.toml is stale: take that of cart-2, or measure this unit and write unit = "
            '"cart-2" into it, and dosewright load again',
        ),
    ],
)
def test_who_does_not_fit(
    client: Client, court: Court, found: dict[str, Any], sentence: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine = court.compiled.machine
    wanted = sentence.replace("{interface}", f"{interface(machine):08x}")
    wanted = wanted.replace("{build}", build_digest(machine).hex())
    assert misfit(client, court.compiled, monkeypatch, **found) == wanted


@pytest.fixture
def keeping(court: Court, built: Built, tmp_path: Path) -> str:
    """The URL of a controller whose store outlives the process."""
    script = tmp_path / "keeping"
    script.write_text(f'#!/bin/sh\nexec "{built(court)}" --store "{tmp_path / "store"}"\n')
    script.chmod(0o755)
    return f"host://{script}"


@pytest.mark.skipif("sys.platform == 'win32'", reason="a shell script stands for the board")
def test_a_menu_is_changed_and_taken_back(
    tmp_path: Path, keeping: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """All that is printed, but for the pour and the verdict on it, which follow an upload."""

    def said(*words: str) -> list[str]:
        assert main(["load", str(cart), "--rig", keeping, *words]) == 0
        lines = capsys.readouterr().out.splitlines()
        return [line for line in lines[1:] if line not in LEFT_OUT and "Harbour Fizz" not in line]

    cart = put(tmp_path / "cart", example())
    nameless = (
        "this controller has no name and takes the calibration of any unit; --name calls it cart-1, once and "
        "for all"
    )
    table = ["recipe        serving  ml  seconds  edges  verdict"]
    passed = ["1 pour, 6 edges: the controller's report and pins equal the plan to the tick"]
    assert said() == [
        "recipes: the same already, not written",
        "calibration: the same already, not written",
        "nothing to write: by their check sums the recipes and the calibration in force are those of this "
        "project",
        nameless,
        *table,
        *passed,
    ]
    put(cart, changed(example(), LESS_LIME, SLOWER))
    change = "lime juice (line C) 20.0 ml -> 15.0 ml, soda (line G) 115.0 ml -> 120.0 ml (at regular)"
    both = said("--name")
    assert both[:4] == [
        "recipes: 145 bytes to write",
        f"  Dock Sour: {change}",
        "calibration: 109 bytes to write",
        "  lime juice (line C): 98.00 ml/min +0.15 ml -> 97.00 ml/min +0.15 ml",
    ]
    assert both[4:] == [
        "254 bytes sent, the rest was there; read back: by check sum the recipes and calibration in "
        "force are those of this project",
        "this controller is called cart-1; it refuses the calibration of any other unit",
        *table,
        *passed,
    ]
    put(cart, changed(example(), SLOWER))
    assert said()[:3] == [
        "recipes: 146 bytes to write",
        "  Dock Sour: lime juice (line C) 15.0 ml -> 20.0 ml, soda (line G) 120.0 ml -> 115.0 ml "
        "(at regular)",
        "calibration: the same already, not written",
    ]
    assert said("--back", "recipes") == [
        "back to the recipes before the last upload:",
        f"  Dock Sour: {change}",
        "the older recipes are in force, until the next load",
    ]
    put(cart, changed(example(), LESS_LIME))
    assert said()[1:4] == [
        "calibration: 109 bytes to write",
        "  lime juice (line C): 97.00 ml/min +0.15 ml -> 98.00 ml/min +0.15 ml",
        "109 bytes sent, the rest was there; read back: by check sum the calibration in force is that of "
        "this project",
    ]
    assert said("--back", "calibration") == [
        "back to the calibration before the last upload:",
        "  lime juice (line C): 98.00 ml/min +0.15 ml -> 97.00 ml/min +0.15 ml",
        "the older calibration is in force, until the next load",
    ]


@pytest.mark.parametrize(("kind", "are"), [("recipes", "are"), ("calibration", "is")])
def test_nothing_to_go_back_to(
    court: Court, built: Built, kind: str, are: str, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = f"host://{built(court)}"
    assert main(["load", str(EXAMPLE), "--rig", rig, "--back", kind]) == 3
    assert capsys.readouterr().err.splitlines()[-1] == (
        f"{rig}: there {are} no older {kind} to go back to: nothing was loaded over what was there, or a new "
        "upload has begun since; change the project and load it"
    )
