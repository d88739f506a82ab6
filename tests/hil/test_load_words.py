"""What load says at the bench, in whole sentences: a worn store, refusals, its question, progress."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from rich.console import Console

from dosewright.gen.cli import main
from dosewright.gen.codes import Reason
from dosewright.gen.emit import table_bin
from dosewright.gen.lower import Compiled
from dosewright.hil.client import Client, Refused
from dosewright.hil.messages import Held, Request, Slot
from dosewright.hil.replay import Session
from dosewright.hil.report import Uploading
from dosewright.hil.rig import open_rig
from dosewright.hil.trouble import RigTrouble
from dosewright.hil.upload import KINDS, Loaded, back, held, name_unit, put
from dosewright.hil.verdicts import Court
from other_tables import changed
from project_files import changed as replaced
from project_files import example
from project_files import put as write
from real_time import RealTime

LESS_LIME = ("recipes.toml", '"lime juice" = "20 ml"', '"lime juice" = "15 ml"')
Built = Callable[[Court], Path]


@pytest.fixture
def client(court: Court, built: Built) -> Iterator[Client]:
    with open_rig(f"host://{built(court)}") as rig:
        yield rig.client


def trouble(client: Client, compiled: Compiled, *records: Loaded) -> str:
    """What is said, without the name of the controller that it begins with."""
    with pytest.raises(RigTrouble) as caught:
        put(client, list(records or held(client, client.identify(), compiled)), compiled)
    name, said = str(caught.value).split(": ", 1)
    assert f"{name}: {said}".startswith(f"{client.name}: ")
    return str(caught.value).removeprefix(f"{client.name}: ")


# A store that is worn


@pytest.mark.parametrize("byte", [0, 41, -1])
@pytest.mark.parametrize("kind", [b"R", b"C"])
def test_the_first_byte_that_differs_is_told(
    client: Client, court: Court, kind: bytes, byte: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One bit of one byte is read back another than it was sent, and one further on."""
    new = changed(court.compiled)
    (record,) = (r for r in held(client, client.identify(), new) if r.kind == kind)
    offset = byte % len(record.now)
    plain = client.read

    def worn(what: bytes, start: int, length: int) -> bytes:
        data = bytearray(plain(what, start, length))
        if length == len(record.now):
            data[offset] ^= 0x10
            if offset + 2 < length:
                data[offset + 2] ^= 0x01
        return bytes(data)

    monkeypatch.setattr(client, "range_crc", lambda *_: 0)
    monkeypatch.setattr(client, "read", worn)
    sent = record.now[offset]
    differ, them = {b"R": ("differ", "them"), b"C": ("differs", "it")}[kind]
    assert trouble(client, new, record) == (
        f"the {KINDS[kind]} read back {differ} from what was sent, first at byte {offset}: sent {sent:02x}, "
        f"found {sent ^ 0x10:02x}; load {them} again, and if it happens again replace the controller: its "
        "store is worn"
    )


@pytest.mark.parametrize(("more", "sent", "found"), [(-9, "own", "the end"), (9, "the end", "aa")])
def test_a_record_that_is_read_back_longer_or_shorter(
    client: Client, court: Court, monkeypatch: pytest.MonkeyPatch, more: int, sent: str, found: str
) -> None:
    new = changed(court.compiled)
    record = held(client, client.identify(), new)[0]
    there = (record.now + b"\xaa" * 9)[: len(record.now) + more]
    monkeypatch.setattr(client, "upload", lambda *_: None)
    monkeypatch.setattr(client, "range_crc", lambda *_: 0)
    monkeypatch.setattr(
        client, "read", lambda _, start, __: len(there).to_bytes(4, "little") if start == 4 else there
    )
    offset = min(len(there), len(record.now))
    sent = f"{record.now[offset]:02x}" if sent == "own" else sent
    assert f"first at byte {offset}: sent {sent}, found {found}; load" in trouble(client, new, record)


# Refusals


@pytest.mark.parametrize(
    ("reason", "argument", "sentence"),
    [
        (Reason.BUSY, 0, "it refuses the recipes: it is pouring: wait until it is done, or stop it"),
        (
            Reason.STORE_FAILED,
            0,
            "it refuses the recipes: its store cannot be written; the old records stay in force",
        ),
        (
            Reason.WRONG_INTERFACE,
            0,
            "it refuses the recipes: the firmware is stale: mend it with dosewright flash my-cart --rig COM9",
        ),
        (
            Reason.BAD_RECORD,
            0,
            "it refuses the recipes: the firmware was built for shorter recipes: mend it with "
            "dosewright flash my-cart --rig COM9",
        ),
        (
            Reason.WRONG_UNIT,
            0,
            "it refuses the recipes: it is of unit 'cart-1', this controller is another unit: take its own "
            "calibration.toml",
        ),
        (
            Reason.OUT_OF_RANGE,
            3,
            "it refuses the recipes: the rate of D lies outside plausible_rate; measure D again",
        ),
        (Reason.BAD_LENGTH, 0, "it refuses the recipes (upload chunk was refused: bad length)"),
    ],
)
def test_a_refused_upload(
    client: Client,
    court: Court,
    monkeypatch: pytest.MonkeyPatch,
    reason: Reason,
    argument: int,
    sentence: str,
) -> None:
    """Each reason has its own words; a refusal that no engine gives here is given for it."""

    def refused(*_: object) -> int:
        raise Refused(Request.UPLOAD_CHUNK, reason, argument)

    new = changed(court.compiled)
    record = held(client, client.identify(), new)[0]
    monkeypatch.setattr(client, "upload", refused)
    monkeypatch.setattr(client, "name", "COM9")
    monkeypatch.setattr(client, "folder", Path("my-cart"))
    assert trouble(client, new, record) == sentence


def test_nothing_is_written_during_a_pour(stand: Court, built: Built) -> None:
    """By the engine itself: an upload, going back, and the name."""
    with open_rig(f"host://{built(stand)}") as rig:
        client = rig.client
        session = Session(rig, stand.compiled)
        session.prepare()
        assert client.pour(1, 0).reason == 0
        rig.wait(50, 1000)
        recipes = table_bin(stand.compiled)[0]
        busy = "it is pouring: wait until it is done, or stop it"
        said = trouble(client, stand.compiled, Loaded(b"R", None, recipes))
        assert said == f"it refuses the recipes: {busy}"
        with pytest.raises(RigTrouble) as caught:
            back(client, b"C", stand.compiled)
        assert str(caught.value) == f"{client.name}: it refuses the calibration: {busy}"
        with pytest.raises(RigTrouble) as caught:
            name_unit(client, client.identify(), "stand-1")
        assert str(caught.value) == f"{client.name}: it will not be called 'stand-1': {busy}"
        client.stop()


def test_a_name_that_the_calibration_in_force_does_not_have(client: Client, court: Court) -> None:
    """The built-in calibration of the example is of unit cart-1."""
    with pytest.raises(RigTrouble) as caught:
        name_unit(client, client.identify(), "cart-2")
    assert str(caught.value) == (
        f"{client.name}: it will not be called 'cart-2': it runs by the calibration of another unit: "
        "load that of this one first"
    )


# A question


@pytest.fixture
def port(court: Court, built: Built) -> Iterator[str]:
    """The name of a pseudo terminal with the example behind it, in real time."""
    pytest.importorskip("pty", reason="pseudo terminals are POSIX only")
    running = RealTime(built(court))
    yield running.name
    running.end()


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], list[str]]:
    """Somebody sits at the terminal and answers; what they were asked."""
    questions: list[str] = []

    def answers(text: str) -> list[str]:
        def ask(question: str) -> str:
            questions.append(question)
            if text == CTRL_D:
                raise EOFError
            return text

        monkeypatch.setattr("builtins.input", ask)
        monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: True))
        return questions

    return answers


def in_store(port: str) -> tuple[Held, tuple[Slot, Slot]]:
    with open_rig(port) as rig:
        found = rig.client.identify()
        return found.recipes, found.slots[b"R"]


CTRL_D = "\x04"
UNTOUCHED = (Held.BUILT_IN, (Slot.UNUSED, Slot.UNUSED))
WRITTEN = (Held.STORED, (Slot.COMMITTED, Slot.SUPERSEDED))


@pytest.mark.parametrize(
    ("answer", "writes"),
    [("n", False), ("", False), (CTRL_D, False), ("no, y", False), ("y", True), (" Yes", True)],
)
def test_only_a_yes_writes(
    port: str,
    asked: Callable[[str], list[str]],
    tmp_path: Path,
    answer: str,
    writes: bool,
    capsys: pytest.CaptureFixture[str],
) -> None:
    folder = write(tmp_path / "cart", replaced(example(), LESS_LIME))
    questions = asked(answer)
    assert main(["load", str(folder), "--rig", port]) == 0
    assert questions == ["Write this? [y/N] "]
    lines = capsys.readouterr().out.splitlines()
    assert lines[1:4] == [
        "recipes: 145 bytes to write",
        "  Dock Sour: lime juice (line C) 20.0 ml -> 15.0 ml, soda (line G) 115.0 ml -> 120.0 ml "
        "(at regular)",
        "calibration: the same already, not written",
    ]
    sent = "145 bytes sent, the rest was there; read back: by check sum the recipes in force are those of "
    assert lines[4] == (sent + "this project" if writes else "nothing written")
    assert in_store(port) == (WRITTEN if writes else UNTOUCHED)


def test_nobody_is_asked_where_nothing_differs_or_yes_was_said(
    port: str, asked: Callable[[str], list[str]], tmp_path: Path
) -> None:
    questions = asked("n")
    assert main(["load", str(write(tmp_path / "same", example())), "--rig", port]) == 0
    folder = write(tmp_path / "cart", replaced(example(), LESS_LIME))
    assert main(["load", str(folder), "--rig", port, "--dry-run"]) == 0
    assert in_store(port) == UNTOUCHED
    assert main(["load", str(folder), "--rig", port, "--yes"]) == 0
    assert in_store(port) == WRITTEN and questions == []


def test_no_to_going_back_and_to_the_name_that_came_with_it(
    port: str, asked: Callable[[str], list[str]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write(tmp_path / "cart", replaced(example(), LESS_LIME))
    same = write(tmp_path / "same", example())
    for one in (folder, same):
        assert main(["load", str(one), "--rig", port, "--yes"]) == 0
    before = in_store(port)
    capsys.readouterr()
    questions = asked("n")
    assert main(["load", str(same), "--rig", port, "--back", "recipes", "--name"]) == 0
    assert len(questions) == 1 and in_store(port) == before
    lines = capsys.readouterr().out.splitlines()
    assert lines[1] == "back to the recipes before the last upload:" and lines[-1] == "nothing written"
    with open_rig(port) as rig:
        assert rig.client.identify().unit == ""


# Progress


@pytest.mark.parametrize("terminal", [True, False])
def test_progress_stays_on_one_line_of_a_terminal_and_is_kept_out_of_files(terminal: bool) -> None:
    file = io.StringIO()
    progress = Uploading(Console(file=file, force_terminal=terminal, color_system=None, width=80))
    for sent in (90, 143):
        progress("recipes", sent, 143)
    shown = "recipes: 90 of 143 bytes\rrecipes: 143 of 143 bytes\n"
    assert file.getvalue() == (shown if terminal else "")
