"""Power cut while the chip writes its EEPROM: through the link, the firmware and the simulated board.

Every write with every value torn is tried in one process in ``tests/engine/test_store_trials.py``; here a
seeded sample shows that the port of the chip keeps what the engine promises.
"""

from __future__ import annotations

import binascii
import dataclasses
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest

from avr.cart import LARGE, Cart, build
from dosewright.gen.checks_store import space_for_recipes
from dosewright.gen.compiled import CompiledRecipe, Dose, Rate
from dosewright.gen.emit import table_bin
from dosewright.gen.load import load
from dosewright.gen.lower import Compiled
from dosewright.hil.client import Refused
from dosewright.hil.messages import Cause, Held
from dosewright.hil.trouble import RigTrouble

TORN = ("old", "new", "00", "ff")


def tables(cart: Cart, kind: bytes) -> list[bytes]:
    """Three records of a kind that differ, each with few recipes."""
    made = []
    for n in range(3):
        recipes = dataclasses.replace(cart.compiled.recipes, recipes=cart.compiled.recipes.recipes[n : n + 3])
        channels = tuple(
            dataclasses.replace(c, rate=Rate(c.rate.m - 0x010101 * n, c.rate.s), offset=c.offset + 256 * n)
            for c in cart.compiled.calibration.channels
        )
        calibration = dataclasses.replace(cart.compiled.calibration, channels=channels)
        compiled = dataclasses.replace(cart.compiled, recipes=recipes, calibration=calibration)
        made.append(table_bin(compiled)[b"RC".index(kind)])
    return made


def in_force(cart: Cart, kind: bytes) -> bytes:
    return cart.client.read(kind, 0, int.from_bytes(cart.client.read(kind, 4, 4), "little"))


def is_cut(cart: Cart, nth: int, torn: str, act: Callable[[], object]) -> bool:
    """Power goes in the nth write of something; false when there were not so many."""
    cart.board.command(f"cutwrite {nth} {torn}")
    try:
        act()
    except RigTrouble:
        cart.board.command("reset power")
        cart.board.command("run 50")
        return True
    return False


def torn(rng: Random) -> str:
    return rng.choice((*TORN, f"{rng.randrange(256):02x}"))


@pytest.mark.parametrize("kind", [b"R", b"C"])
def test_an_upload_or_going_back_leaves_the_whole_old_or_the_whole_new(cart: Cart, kind: bytes) -> None:
    rng = Random(int.from_bytes(kind, "big"))
    client, (old, new, third) = cart.client, tables(cart, kind)
    cases = kept = 0
    client.identify()
    acts: list[tuple[Callable[[], object], bytes, int]] = [
        (lambda: client.upload(kind, new), new, 20),
        (lambda: client.back(kind), third, 5),
    ]
    for act, after, writes in acts:
        for _ in range(12):
            client.upload(kind, third)
            client.upload(kind, old)
            nth = rng.randint(1, writes)
            assert is_cut(cart, nth, torn(rng), act)
            cases += 1
            found = in_force(cart, kind)
            assert found in (old, after), (nth, found.hex())
            kept += found == old
            identity = client.identify()
            assert (identity.recipes if kind == b"R" else identity.calibration) == Held.STORED
            client.upload(kind, third)
            assert in_force(cart, kind) == third
    print(f"{cases} cuts, {kept} times the old")
    assert 0 < kept < cases


def test_a_name_is_whole_or_none(cart: Cart, tmp_path: Path) -> None:
    rng = Random(3)
    blank = tmp_path / "blank"
    cart.board.command(f"save {blank}")
    for nth in range(1, 23, 3):
        cart.board.command(f"load {blank}")
        cart.board.command("reset power")
        cart.board.command("run 50")
        cart.client.identify()
        assert is_cut(cart, nth, torn(rng), lambda: cart.client.name_unit("cart-1"))
        assert cart.client.identify().unit in ("", "cart-1")
        try:
            cart.client.name_unit("cart-1")
        except Refused:
            assert cart.client.identify().unit == "cart-1"
        assert cart.client.identify().unit == "cart-1"


def test_the_most_recipes_that_a_slot_can_hold(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Checking hundreds of them must not keep the main loop from feeding the watchdog: neither when they are
    committed, nor when the controller starts with them."""
    command, _, compiled = build(tmp_path, monkeypatch, example=LARGE)
    store = load(LARGE).target.store_bytes
    space = space_for_recipes(store, compiled.machine.channels)
    record = next(
        made for count in range(space // 2, 0, -1) if len(made := smallest(compiled, count)) <= space
    )
    cart = Cart(command, compiled)
    cart.client.identify()
    cart.client.upload(b"R", record)
    assert cart.client.identify().cause == Cause.POWER
    for reset in ("power", "dtr"):
        cart.board.command(f"reset {reset}")
        cart.board.command("run 500")
        identity = cart.client.identify()
        assert identity.recipes == Held.STORED and identity.cause != Cause.WATCHDOG
        assert in_force(cart, b"R") == record


def smallest(compiled: Compiled, count: int) -> bytes:
    """A record of so many recipes of one dose."""
    recipes = tuple(CompiledRecipe(number, "", (Dose(0, 1),)) for number in range(1, count + 1))
    table = dataclasses.replace(compiled.recipes, recipes=recipes)
    return table_bin(dataclasses.replace(compiled, recipes=table))[0]


def test_a_refused_commit_checks_two_records_and_feeds_the_watchdog_between(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a chip whose watchdog waits half as long, with records of two thirds of a slot."""
    half = ("avr/reset.c", "wdt_enable(WDTO_120MS)", "wdt_enable(WDTO_60MS)")
    command, _, compiled = build(tmp_path, monkeypatch, [half], example=LARGE)
    doses = tuple(Dose(channel, 1) for channel in range(15))
    recipes = tuple(CompiledRecipe(number, "", doses) for number in range(1, 76))
    table = dataclasses.replace(compiled.recipes, recipes=recipes)
    good = table_bin(dataclasses.replace(compiled, recipes=table))[0]
    last = len(good) - 4 - 4 * len(table.servings) - 1
    bad = good[:last] + good[last - 1 : last] + good[last + 1 : -4]  # a channel twice, in the last recipe
    bad += binascii.crc32(bad).to_bytes(4, "little")
    cart = Cart(command, compiled)
    cart.client.identify()
    cart.client.upload(b"R", good)
    with pytest.raises(Refused, match="bad record"):
        cart.client.upload(b"R", bad)
    assert cart.client.identify().cause == Cause.POWER
    assert in_force(cart, b"R") == good
