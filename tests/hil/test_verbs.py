"""The verbs replay, load and ports as typed at a shell: what they print, write and return."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from xml.etree import ElementTree

import pytest

from dosewright.gen.cli import main
from dosewright.gen.twin_log import Entry
from dosewright.hil import rig as rigs
from dosewright.hil.junit import junit
from dosewright.hil.record import Verdict
from dosewright.hil.rig import Rig
from dosewright.hil.verdicts import Court
from tools import need
from twin_device import TwinDevice

EXAMPLE = Path(__file__).parents[2] / "examples" / "soda-cart"
SMALL = ["--recipe", "Dock Sour", "--recipe", "10", "--serving", "sample"]


@pytest.fixture
def cart(tmp_path: Path) -> Path:
    """A copy of the example, so that nothing is built inside the repository."""
    folder = tmp_path / "cart"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("build"))
    return folder


@pytest.fixture
def late(monkeypatch: pytest.MonkeyPatch, court: Court) -> None:
    """A rig on which lime juice goes off 2 ms late, in the trace as on the pin."""

    def slip(trace: object) -> list[Entry]:
        return sorted(e._replace(tick=e.tick + 2) if e[1:] == (6, 2) else e for e in trace)  # type: ignore[attr-defined]

    def open_late(*_: object) -> Rig:
        return TwinDevice(court.compiled, slip, slip, tick=0).rig()

    monkeypatch.setattr(rigs, "open_rig", open_late)


def test_replay_prints_a_verdict_on_every_pour(cart: Path, capsys: pytest.CaptureFixture[str]) -> None:
    need("cc")
    assert main(["replay", str(cart), *SMALL]) == 0
    out = capsys.readouterr().out
    assert "\x1b" not in out, "no colours where no terminal is"
    lines = [line.split() for line in out.splitlines()]
    assert lines[1][:4] == ["Dock", "Sour", "sample", "30"] and lines[1][-1] == "equal"
    assert lines[2][:4] == ["Plain", "Soda", "sample", "30"] and lines[2][-1] == "equal"
    assert "2 pours, 10 edges: the controller's report and pins equal the plan to the tick" in out
    assert "left out: Foghorn (not loaded: chilli syrup)" in out


def test_replay_as_json_and_junit(cart: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    need("cc")
    file = tmp_path / "verdicts.xml"
    assert main(["replay", str(cart), *SMALL, "--json", "--junit", str(file)]) == 0
    value = json.loads(capsys.readouterr().out)
    assert value["passed"] is True
    assert [(p["recipe"], p["serving"], p["findings"]) for p in value["pours"]] == [
        ("Dock Sour", "sample", []),
        ("Plain Soda", "sample", []),
    ]
    suite = ElementTree.parse(file).getroot()[0]
    assert (suite.get("tests"), suite.get("failures"), suite.get("errors")) == ("2", "0", "0")
    again = file.read_bytes()
    assert main(["replay", str(cart), *SMALL, "--json", "--junit", str(file)]) == 0
    assert file.read_bytes() == again, "byte for byte the same"


@pytest.mark.usefixtures("late")
def test_a_difference_is_told_and_the_exit_code_is_1(
    cart: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "verdicts.xml"
    assert main(["replay", str(cart), *SMALL, "--junit", str(file)]) == 1
    out = capsys.readouterr().out
    assert "DIFFERS" in out and "1 of 2 pours differ" in out
    assert "Dock Sour, sample: lime juice (line C) went off 2 ms late: expected " in out
    failures = ElementTree.parse(file).getroot().findall(".//failure")
    assert len(failures) == 1 and failures[0].get("message", "").startswith(
        "lime juice (line C) went off 2 ms late"
    )


def test_faults(cart: Path, capsys: pytest.CaptureFixture[str]) -> None:
    need("cc")
    assert main(["replay", str(cart), "--faults", "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    assert len(value["pours"]) > 60 and all(pour["passed"] for pour in value["pours"])
    assert {"glass lost during ready lamp, stays open", "stop between doses"} <= {
        pour["disturbed_by"] for pour in value["pours"]
    }


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--recipe", "Dock Sower"], 2, 'recipe "Dock Sower": not found; did you mean "Dock Sour"?'),
        (["--recipe", "Foghorn"], 2, "recipe Foghorn: left out of the table: not loaded: chilli syrup"),
        (
            ["--serving", "cup"],
            2,
            'serving "cup": not found; choose another; there is "sample", "regular", "tall"',
        ),
        (["--rig", "/dev/tty-of-nobody"], 3, "there is no such port"),
        (["--rig", "/dev/tty-of-nobody", "--faults"], 2, "needs a simulated rig"),
        (["--rig", "pigeon://loft"], 3, "not a port that can be opened"),
    ],
)
def test_what_cannot_be_done_is_said(
    cart: Path, words: list[str], code: int, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["replay", str(cart), *words]) == code
    captured = capsys.readouterr()
    assert said in captured.err and captured.out == ""


def test_no_project(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for verb in ("replay", "load"):
        assert main([verb, str(tmp_path / "nowhere")]) == 1
        assert "no such folder" in capsys.readouterr().err


def test_nothing_can_be_poured(cart: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (cart / "loaded.toml").write_text("")
    assert main(["replay", str(cart)]) == 1
    assert "no recipe can be poured with what is loaded and measured" in capsys.readouterr().err


def test_load_is_a_rehearsal_without_a_port(cart: Path, capsys: pytest.CaptureFixture[str]) -> None:
    need("cc")
    assert main(["load", str(cart)]) == 0
    out = capsys.readouterr().out
    assert "fits Quayside soda cart" in out
    assert "recipes: the same already, not written" in out
    assert "1 pour, 6 edges: the controller's report and pins equal the plan" in out


def test_load_tells_what_it_changes(
    cart: Path, court: Court, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A controller built for the old menu gets a new one."""
    need("cc")
    from dosewright.gen.firmware import build_rig

    old = build_rig(court.compiled, "host", cart / "old")
    text = (cart / "recipes.toml").read_text()
    assert '"lime juice" = "20 ml", "ginger syrup" = "15 ml"' in text
    (cart / "recipes.toml").write_text(text.replace('"lime juice" = "20 ml"', '"lime juice" = "25 ml"'))
    assert main(["load", str(cart), "--rig", f"host://{old}", "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    recipes, calibration = value["records"]
    assert recipes["written"] and not calibration["written"] and value["passed"]
    assert recipes["changes"] == [
        "Dock Sour: lime juice (line C) 20.0 ml -> 25.0 ml, soda (line G) 115.0 ml -> 110.0 ml (at regular)"
    ]


def test_ports(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ports"]) == 0
    assert "simulated rigs:\n  host" in capsys.readouterr().out
    assert main(["ports", "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    assert "host" in [rig["name"] for rig in value["simulated"]]


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_ctrl_c(cart: Path) -> None:
    """Interrupted in the middle: exit code 130, one line, no traceback."""
    need("cc")
    # heeded also by what a background job starts
    heeded = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
    begin = "from dosewright.gen.cli import main; raise SystemExit(main())"
    command = [sys.executable, "-c", f"{heeded}; {begin}"]
    running = subprocess.Popen(
        [*command, "replay", str(cart), "--faults"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    rig = cart / "build" / "host" / "controller"
    while not rig.exists() and running.poll() is None:
        time.sleep(0.01)
    time.sleep(0.2)
    os.kill(running.pid, signal.SIGINT)
    out, err = running.communicate(timeout=60)
    assert (running.returncode, out, err) == (130, "", "dosewright: interrupted\n")


def test_junit_survives_any_name() -> None:
    """XML 1.0, section 2.2: most control characters may not occur, not even escaped."""
    verdict = Verdict('Salt & "Pepper" <\x07>\x00', "tall \ud800", ("off < on & \x1b[31m",))
    root = ElementTree.fromstring(junit([verdict], "machine & \x02", "host"))
    case = root.find(".//testcase")
    assert case is not None and case.get("classname") == 'Salt & "Pepper" <\ufffd>\ufffd'
    assert case.get("name") == "tall \ufffd"
    assert root.find(".//failure") is not None
