"""``dosewright wiring``: a rehearsal, the sheet alone, answers from a file."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest

from dosewright.gen.cli import main
from tools import need

EXAMPLE = Path(__file__).parents[2] / "examples" / "soda-cart"


@pytest.fixture
def cart(tmp_path: Path) -> Path:
    folder = tmp_path / "cart"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("build"))
    return folder


def answers(cart: Path, **others: str) -> Path:
    """A file of answers for a cart that is wired as written, but for these."""
    lines = ["# nobody moves a switch here", "ready: yes", "rest: nothing"]
    for label in ("A", "B", "C", "D", "E", "F", "G", "H", "stirrer", "ready lamp"):
        lines.append(f"moved {label}: {others.get(label, label)}")
    path = cart / "answers"
    path.write_text("\n".join([*lines, f"mend: {others.get('mend', 'no')}"]) + "\n")
    return path


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
