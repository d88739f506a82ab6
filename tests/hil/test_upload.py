"""Does the controller fit, what is on it, and what becomes of it: against the engine on the host rig."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from dosewright.gen.codes import Reason
from dosewright.gen.compiled import Rate
from dosewright.gen.lower import Compiled
from dosewright.hil.changes import Words, changes
from dosewright.hil.client import Client, Refused
from dosewright.hil.messages import Held
from dosewright.hil.replay import Session
from dosewright.hil.rig import open_rig
from dosewright.hil.trouble import RigTrouble
from dosewright.hil.upload import fits, held, put
from dosewright.hil.verdicts import Court
from other_tables import changed

Built = Callable[[Court], Path]


@pytest.fixture
def client(court: Court, built: Built):  # type: ignore[no-untyped-def]
    with open_rig(f"host://{built(court)}") as rig:
        yield rig.client


def test_what_is_there_already_is_not_written(client: Client, court: Court) -> None:
    identity = fits(client, court.compiled)
    assert (identity.recipes, identity.calibration) == (Held.BUILT_IN, Held.BUILT_IN)
    records = held(client, identity, court.compiled)
    assert [record.same for record in records] == [True, True]
    put(client, records, court.compiled)
    assert client.identify().recipes == Held.BUILT_IN, "nothing was stored"


def test_what_differs_is_told_written_and_then_the_same(client: Client, court: Court) -> None:
    new = changed(court.compiled)
    records = held(client, fits(client, new), new)
    assert [record.same for record in records] == [False, False]
    told = [line for record in records for line in changes(record, Words.of(court.project, new, court.names))]
    assert told == [
        "Plain Soda leaves",
        "Noon Gun comes in",
        "Dock Sour: ginger syrup (line A) 15.0 ml -> 14.5 ml, lime juice (line C) 20.0 ml -> 24.2 ml, "
        "soda (line G) 115.0 ml -> 111.3 ml (at regular)",
        "lime juice (line C): 98.00 ml/min +0.15 ml -> 98.63 ml/min +0.15 ml",
    ]
    sent = []
    put(client, records, new, lambda *step: sent.append(step))
    assert {name for name, _, _ in sent} == {"recipes", "calibration"}
    assert all(done == whole for done, whole in {name: (d, w) for name, d, w in sent}.values())
    identity = client.identify()
    assert (identity.recipes, identity.calibration) == (Held.STORED, Held.STORED)
    assert [record.same for record in held(client, identity, new)] == [True, True]


def test_another_interface_is_told_on_both_sides(court: Court, stand: Court, built: Built) -> None:
    with open_rig(f"host://{built(stand)}") as rig, pytest.raises(RigTrouble) as caught:
        fits(rig.client, court.compiled)
    said = str(caught.value)
    assert len(set(re.findall(r"interface [0-9a-f]{8}", said))) == 2
    assert "the firmware is stale: mend it with dosewright flash FOLDER --rig PORT" in said


def test_another_build_is_told_on_both_sides(client: Client, court: Court) -> None:
    machine = dataclasses.replace(court.compiled.machine, pause_limit=court.compiled.machine.pause_limit + 1)
    with pytest.raises(RigTrouble) as caught:
        fits(client, dataclasses.replace(court.compiled, machine=machine))
    said = str(caught.value)
    assert len(set(re.findall(r"build [0-9a-f]{16}", said))) == 2
    assert "another machine.toml" in said and "dosewright flash" in said


@pytest.mark.parametrize("side", ["recipes_format", "calibration_format"])
@pytest.mark.parametrize(("version", "stale"), [(0, "the firmware is stale"), (9, "this tool is stale")])
def test_another_format_says_which_side_is_stale(
    client: Client, court: Court, monkeypatch: pytest.MonkeyPatch, side: str, version: int, stale: str
) -> None:
    found = dataclasses.replace(client.identify(), **{side: version})
    monkeypatch.setattr(client, "identify", lambda: found)
    with pytest.raises(RigTrouble, match=f"of format {version}, this tool writes format \\d; {stale}"):
        fits(client, court.compiled)


def test_the_engine_refuses_a_rate_outside_the_plausible_range(client: Client, court: Court) -> None:
    channels = list(court.compiled.calibration.channels)
    channels[3] = dataclasses.replace(channels[3], rate=Rate(channels[3].rate.m, channels[3].rate.s + 2))
    calibration = dataclasses.replace(court.compiled.calibration, channels=tuple(channels))
    new = dataclasses.replace(court.compiled, calibration=calibration)
    records = held(client, fits(client, new), new)
    with pytest.raises(RigTrouble, match="the rate of D lies outside plausible_rate; measure D again"):
        put(client, records, new)
    assert client.identify().calibration == Held.BUILT_IN, "the old one stays in force"


def of_unit(compiled: Compiled, unit: str) -> Compiled:
    return dataclasses.replace(compiled, calibration=dataclasses.replace(compiled.calibration, unit=unit))


def test_another_unit_is_told_on_both_sides_and_refused_by_the_engine_too(
    client: Client, court: Court
) -> None:
    client.name_unit("cart-1")
    other = of_unit(changed(court.compiled), "cart-2")
    with pytest.raises(RigTrouble) as caught:
        fits(client, other)
    said = str(caught.value)
    assert "the controller is unit 'cart-1'" in said and "measured on unit 'cart-2'" in said
    with pytest.raises(RigTrouble, match="refuses the calibration: it is of unit 'cart-2'"):
        put(client, held(client, client.identify(), other), other)
    nameless = of_unit(changed(court.compiled), "")
    with pytest.raises(RigTrouble, match=r"calibration\.toml says no unit"):
        fits(client, nameless)


def test_a_record_that_is_damaged_on_the_way_is_refused(client: Client) -> None:
    record = client.read(b"R", 0, int.from_bytes(client.read(b"R", 4, 4), "little"))
    with pytest.raises(Refused) as caught:
        client.upload(b"R", record[:40] + bytes([record[40] ^ 4]) + record[41:])
    assert caught.value.reason == Reason.BAD_RECORD


def test_no_upload_during_a_pour(stand: Court, built: Built) -> None:
    with open_rig(f"host://{built(stand)}") as rig:
        session = Session(rig, stand.compiled)
        session.prepare()
        assert rig.client.pour(1, 0).reason == 0
        rig.wait(50, 1000)
        record = rig.client.read(b"R", 0, int.from_bytes(rig.client.read(b"R", 4, 4), "little"))
        with pytest.raises(Refused) as caught:
            rig.client.upload(b"R", record)
        assert caught.value.reason == Reason.BUSY
        rig.client.stop()
