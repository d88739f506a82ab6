"""A new project checks clean whatever was answered, is written whole, and overwrites nothing."""

from __future__ import annotations

import builtins
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from dosewright.gen import output, scaffold, targets
from dosewright.gen.cli import main
from dosewright.gen.load import examine, load
from dosewright.gen.lower import lower
from project_files import FILES, LEAST, changed, put
from tools import need

MOST = scaffold.most_channels("atmega328p")


@pytest.mark.parametrize("channels", [1, 2, 3, MOST])
@pytest.mark.parametrize("vessel", ["20 ml", "300 ml", "10.5 US fl oz", "15 l"])
@pytest.mark.parametrize("relays", ["high", "low"])
def test_every_answer_gives_a_project_that_checks_clean(
    tmp_path: Path, channels: int, vessel: str, relays: str
) -> None:
    scaffold.write(tmp_path, scaffold.Answers("A cart", "atmega328p", channels, vessel, relays))
    project = load(tmp_path)
    assert project.problems == ()
    assert all("never measured" in reason for _, reason in project.left_out)
    compiled = lower(project)
    assert compiled.machine.channels == channels
    assert all(out.pin and out.pin.active_high is (relays == "high") for out in compiled.machine.outputs)


def test_with_every_channel_measured_it_pours(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scaffold.write(tmp_path, scaffold.Answers("A cart", "atmega328p", 3, "300 ml", "high"))
    calibration = tmp_path / "calibration.toml"
    lines = calibration.read_text(encoding="utf-8").splitlines()
    measured = [
        line.removeprefix("# ") if line[:2] == "# " and " = { rate" in line else line for line in lines
    ]
    assert measured != lines
    calibration.write_text("\n".join(measured), encoding="utf-8")
    project = load(tmp_path)
    assert (project.problems, project.left_out) == ((), ())
    assert [recipe.name for recipe in project.book.recipes] == ["First Pour", "Second Pour"]
    need("cc")
    assert main(["replay", str(tmp_path)]) == 0
    assert "6 pours, 30 edges: the controller's report and pins equal the plan" in capsys.readouterr().out


@pytest.mark.parametrize("board", targets.names())
@pytest.mark.parametrize("channels", [1, 2, 3, 10])
def test_what_it_shows_in_comments_may_all_be_taken_in(tmp_path: Path, board: str, channels: int) -> None:
    uncommented(tmp_path, board, channels)
    project = load(tmp_path)
    assert (project.problems, project.left_out) == ((), ())
    assert list(project.machine.selector) == ["menu", "size"]
    assert project.machine.machine.supply == 4 and project.machine.channel["A"].max_on == 240


def test_its_switches_pour_each_recipe_as_each_serving(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    need("cc")
    uncommented(tmp_path, "atmega328p", 3)
    assert main(["replay", str(tmp_path), "--by-switches"]) == 0
    printed = capsys.readouterr().out
    assert printed.count("start, menu at ") == 6 and "6 pours" in printed
    assert "start, menu at 2, size at 2" in printed


def test_where_no_pins_are_left_for_switches_it_says_so(tmp_path: Path) -> None:
    scaffold.write(tmp_path, scaffold.Answers("A cart", "atmega328p", 11, "300 ml", "high"))
    machine = (tmp_path / "machine.toml").read_text(encoding="utf-8")
    assert "selector" not in machine and "would need more pins than these channels leave free" in machine


def uncommented(folder: Path, board: str, channels: int) -> None:
    """A new project with every line that is a comment but could be TOML taken in."""
    scaffold.write(folder, scaffold.Answers("A cart", board, channels, "300 ml", "high"))
    for name in FILES:
        text = (folder / name).read_text(encoding="utf-8")
        text = re.sub(r"^# (?=\[[\w.]+\]|\w+ = )", "", text, flags=re.MULTILINE)
        (folder / name).write_text(text, encoding="utf-8")


def test_every_target_with_pins_is_offered_and_no_rig() -> None:
    assert "atmega328p" in targets.names() and "host" not in targets.names()


@pytest.mark.parametrize("board", targets.names())
def test_every_board_takes_from_one_channel_to_its_most(tmp_path: Path, board: str) -> None:
    for channels in (1, scaffold.most_channels(board)):
        folder = tmp_path / str(channels)
        scaffold.write(folder, scaffold.Answers("A cart", board, channels, "300 ml", "low"))
        project = load(folder)
        assert (project.problems, len(project.machine.channel)) == ((), channels)


def test_the_flags_and_the_folder_s_name_decide(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--board", "atmega328p", "--channels", "4", "--vessel", "0.4 l", "--relays", "low", "--yes"]
    assert main(["new", str(tmp_path / "shop" / "quay"), *words]) == 0
    machine = load(tmp_path / "shop" / "quay").machine
    assert (machine.machine.name, machine.machine.vessel, len(machine.channel)) == ("quay", 400, 4)
    assert machine.channel["A"].on_when == "low"
    assert "dosewright check" in capsys.readouterr().out


def test_two_runs_write_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        assert main(["new", str(tmp_path / name / "cart"), "--yes"]) == 0
    for file in FILES:
        assert (tmp_path / "a" / "cart" / file).read_bytes() == (tmp_path / "b" / "cart" / file).read_bytes()


@pytest.mark.parametrize("name", ['a"b\\c', "ünï", "x" * 100, "tab\there"])
@pytest.mark.skipif(sys.platform == "win32", reason="no such names of folders there")
def test_any_name_of_a_folder_is_a_machine_s_name(tmp_path: Path, name: str) -> None:
    assert main(["new", str(tmp_path / name), "--yes"]) == 0
    assert load(tmp_path / name).problems == ()


def test_it_asks_until_it_can_use_the_answers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answers: Iterator[str] = iter(["esp99", "", "99", "two", "2", "300", "250 ml", "up", "low"])
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    prompts: list[str] = []
    monkeypatch.setattr(builtins, "input", lambda prompt: (prompts.append(prompt), next(answers))[1])
    assert main(["new", str(tmp_path / "cart")]) == 0
    assert next(answers, None) is None
    assert "atmega328p   ATmega328P (Arduino Uno, Nano)\n" in prompts[0]
    machine = load(tmp_path / "cart").machine
    assert (len(machine.channel), machine.machine.vessel, machine.channel["B"].on_when) == (2, 250, "low")
    said = capsys.readouterr().out
    for words in (
        "'esp99'; wanted one of",
        "99; wanted 1 to",
        "'two'; wanted a whole number",
        '"300 ml"',
        "'up'",
    ):
        assert words in said


@pytest.mark.parametrize(
    ("board", "meant"),
    [("uno", "atmega328p"), ("Arduino Nano", "atmega328p"), ("Mega", "atmega2560"), ("Arduino", None)],
)
def test_a_board_by_its_own_name_leads_to_its_controller(
    tmp_path: Path, board: str, meant: str | None, capsys: pytest.CaptureFixture[str]
) -> None:
    said = "wanted one of atmega2560, atmega328p" + (f"; did you mean {meant}?" if meant else "")
    assert main(["new", str(tmp_path / "cart"), "--board", board, "--yes"]) == 2
    assert capsys.readouterr().err.strip().endswith(f"{board!r}; {said}")
    (problem,) = examine(put(tmp_path, changed(LEAST, ("machine.toml", "atmega328p", board))))[1]
    assert (f'did you mean "{meant}"?' if meant else "choose another") in problem.remedy


def test_no_answer_is_a_usage_error_and_writes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def ended(prompt: str) -> str:
        raise EOFError

    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(builtins, "input", ended)
    assert main(["new", str(tmp_path / "cart")]) == 2
    assert not (tmp_path / "cart").exists()


@pytest.mark.parametrize(
    "words",
    [
        ["--board", "host"],
        ["--board", "../atmega328p"],
        ["--channels", "0"],
        ["--channels", "-1"],
        ["--channels", str(MOST + 1)],
        ["--channels", "many"],
        ["--vessel", "300"],
        ["--vessel", "5 ml"],
        ["--vessel", "20 l"],
        ["--vessel", "10 fl oz"],
    ],
)
def test_flags_that_cannot_be_are_refused_before_anything_is_written(
    tmp_path: Path, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", str(tmp_path / "cart"), "--yes", *words]) == 2
    assert "wanted" in capsys.readouterr().err
    assert not (tmp_path / "cart").exists()


@pytest.mark.parametrize("file", FILES)
def test_nothing_is_overwritten(tmp_path: Path, file: str, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / file).write_text("mine", encoding="utf-8")
    assert main(["new", str(tmp_path), "--yes"]) == 1
    assert file in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == [file]
    assert (tmp_path / file).read_text(encoding="utf-8") == "mine"


def test_a_file_in_the_place_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "cart").touch()
    assert main(["new", str(tmp_path / "cart"), "--yes"]) == 1
    assert main(["new", str(tmp_path / "cart" / "inside"), "--yes"]) == 1


def test_written_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = Path.write_bytes

    def full(self: Path, data: bytes) -> int:
        if "loaded" in self.name:
            raise OSError(28, "No space left on device")
        return whole(self, data)

    monkeypatch.setattr(output.Path, "write_bytes", full)
    assert main(["new", str(tmp_path / "cart"), "--yes"]) == 1
    assert not (tmp_path / "cart").exists() or not list((tmp_path / "cart").iterdir())
