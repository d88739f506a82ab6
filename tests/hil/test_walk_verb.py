"""``dosewright wiring``: a rehearsal, the sheet alone, answers from a file."""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path

import pytest

from dosewright.gen.cli import main
from tools import need
from walking import answers

EXAMPLE = Path(__file__).parents[2] / "examples" / "soda-cart"


@pytest.fixture
def cart(tmp_path: Path) -> Path:
    folder = tmp_path / "cart"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("build"))
    return folder


def test_the_verb_rehearses_on_the_host(cart: Path, capsys: pytest.CaptureFixture[str]) -> None:
    need("cc")
    assert main(["wiring", str(cart)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("# Quayside soda cart: wiring sheet\n") and "15 wires, all as written." in out
    assert "| A2 | input | stop (switch) | closed at low | none: pulled up inside | as written |" in out


def test_the_sheet_alone_needs_no_rig(
    cart: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PATH", "")
    assert main(["wiring", str(cart), "--sheet"]) == 0
    out = capsys.readouterr().out
    assert "| D2 | output | A (peristaltic pump) | on at high | 10 kΩ to ground: off in a reset |" in out
    assert "walked" not in out


def test_answers_from_a_file_mend_the_machine(cart: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nobody moves a switch here, so the machine has none."""
    need("cc")
    text = (cart / "machine.toml").read_text()
    for lock in ("glass", "guard", "stop"):
        start = text.index(f"[interlock.{lock}]")
        end = text.find("\n\n", start)
        text = text[:start] + text[end:]
    text = text[: text.index("[button.start]")].replace('needs = ["glass", "guard"]\n', "")
    (cart / "machine.toml").write_text(text)
    assert main(["wiring", str(cart), "--answers", str(answers(cart, A="B", B="A"))]) == 1
    said = capsys.readouterr()
    assert "A is on pin D3, not on D2 as the file says" in said.out
    assert 'machine.toml would be mended so:\n-A = { pin = "D2"' in said.err
    assert (cart / "machine.toml").read_text() == text
    assert main(["wiring", str(cart), "--answers", str(answers(cart, A="B", B="A", mend="yes"))]) == 1
    assert " --rig PORT, and walk again" in capsys.readouterr().err.replace("\n", " ")
    channels = tomllib.loads((cart / "machine.toml").read_text())["channel"]
    assert (channels["A"]["pin"], channels["B"]["pin"]) == ("D3", "D2")


def test_answers_and_the_switches_of_a_simulated_rig(cart: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two lines swapped, told by the file; nobody has to close the guard for the outputs to be tried."""
    need("cc")
    command = ["wiring", str(cart), "--answers"]
    assert main([*command, str(answers(cart))]) == 0
    assert "15 wires, all as written." in capsys.readouterr().out
    assert main([*command, str(answers(cart, C="H", H="C")), "--json"]) == 1
    report = json.loads(capsys.readouterr().out)
    assert [wire["wire"] for wire in report["wires"] if wire["not_tried"]] == []
    assert sorted(report["findings"]) == [
        "C is on pin D9, not on D4 as the file says",
        "H is on pin D4, not on D9 as the file says",
    ]
    assert report["changes"] == {"channel.C.pin": "D9", "channel.H.pin": "D4"}


def test_what_the_answers_leave_out_is_not_done(cart: Path, capsys: pytest.CaptureFixture[str]) -> None:
    need("cc")
    path = answers(cart)
    text = path.read_text(encoding="utf-8")
    path.write_text(text + "open glass: skip\nunplug guard: skip\n", encoding="utf-8")
    assert main(["wiring", str(cart), "--answers", str(path), "--json"]) == 1
    report = json.loads(capsys.readouterr().out)
    assert report["findings"] == ["glass: not tried: you skipped it"]
    assert [w["closed_without_wire"] for w in report["wires"] if w["wire"] == "guard"] == [None]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("ready: yes\n", "found no answer to 'rest'"),
        ("ready\n", ":1: found 'ready'; wanted QUESTION: ANSWER"),
        ("ready: skip\n", "the walk was not begun"),
        (None, "cannot be read as text"),
    ],
)
def test_answers_of_no_use(
    cart: Path, text: str | None, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    need("cc")
    path = cart / "answers"
    if text is not None:
        path.write_text(text)
    assert main(["wiring", str(cart), "--answers", str(path)]) == 2
    assert said in capsys.readouterr().err
    assert main(["wiring", str(cart), "--pulse", "nan"]) == 2
    assert "wanted 0.05 to 3 seconds" in capsys.readouterr().err
