"""What the README shows is what a reader gets."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from dosewright.gen.cli import VERBS, main
from project_files import put
from tools import need

ROOT = Path(__file__).parents[1]
PAGES = ["README.md", "DEVELOPERS.md", "examples/soda-cart/README.md", "examples/night-ferry/README.md"]
README = (ROOT / "README.md").read_text(encoding="utf-8")
# with the least machine: what is still missing before it pours
REST = {
    "recipes.toml": '[serving]\nglass = "200 ml"\n[recipe.Fizz]\nparts = { soda = 7, lime = 2 }\n',
    "loaded.toml": 'A = { liquid = "soda" }\nB = { liquid = "lime" }\n',
    "calibration.toml": '[channel]\nA = { rate = "98 ml/min" }\nB = { rate = "98 ml/min" }\n',
}


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a copy of the example where the README has it, as the present one."""
    shutil.copytree(
        ROOT / "examples", tmp_path / "examples", ignore=shutil.ignore_patterns("build", "__pycache__")
    )
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.usefixtures("here")
def test_the_verdict_table(capsys: pytest.CaptureFixture[str]) -> None:
    need("cc")
    (shown,) = (block for block in blocks("") if block.startswith("recipe  "))
    assert main(["replay", "examples/soda-cart"]) == 0
    lines = [line.split() for line in capsys.readouterr().out.splitlines()]
    wanted = [line.split() for line in shown.splitlines() if line != "..."]
    assert [line for line in wanted if line not in lines] == []
    assert lines[: len(wanted[:3])] == wanted[:3] and lines[-3:] == wanted[-3:]


@pytest.mark.usefixtures("here")
def test_the_timing_chart(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "get_terminal_size", lambda *_: os.terminal_size((78, 24)))
    (shown,) = (block for block in blocks("") if block.startswith("Seven Bells"))
    assert main(["plan", "examples/soda-cart", "Seven Bells", "--serving", "regular"]) == 0
    assert capsys.readouterr().out == shown


def test_the_table_of_verbs() -> None:
    assert re.findall(r"^\| `dosewright (\w+)` \|", README, re.MULTILINE) == list(VERBS)


@pytest.mark.parametrize("without_a_switch", [False, True])
def test_the_least_machine_checks_builds_and_pours(
    tmp_path: Path, without_a_switch: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    need("cc")
    machine = blocks("toml")[0]
    assert len(machine.splitlines()) == 11
    if without_a_switch:
        machine = machine.partition("[interlock]")[0]
    folder = str(put(tmp_path, {"machine.toml": machine, **REST}))
    assert main(["check", folder]) == 0
    assert capsys.readouterr().out.startswith("Jetty cart: no mistakes, no warnings.")
    assert main(["build", folder]) == 0
    assert main(["load", folder]) == 0
    capsys.readouterr()
    assert main(["replay", folder]) == 0
    sum_of_it = "1 pour, 4 edges: the controller's report and pins equal the plan to the tick"
    assert sum_of_it in capsys.readouterr().out


def test_its_switches_pour_without_a_laptop(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    need("cc")
    machine, switches = blocks("toml")
    limit = re.findall(r'link_limit = "\d+ s"', README)[0]
    machine = machine.replace("[machine]\n", f"[machine]\n{limit}\n")
    rest = {**REST, "recipes.toml": REST["recipes.toml"].replace("[recipe", 'large = "300 ml"\n[recipe')}
    folder = str(put(tmp_path, {"machine.toml": machine + switches, **rest}))
    assert main(["check", folder]) == 0
    said = "menu.pins: found a switch that can say 2 to 15, which is no recipe of recipes.toml"
    assert said in capsys.readouterr().out
    assert main(["replay", folder, "--by-switches"]) == 0
    printed = capsys.readouterr().out
    assert "start, menu at 1, size at 0" in printed and "start, menu at 1, size at 1" in printed


def test_the_script(here: Path) -> None:
    need("cc")
    (script,) = blocks("python")
    done = subprocess.run([sys.executable, "-c", script], cwd=here, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines() == ["2 Dock Sour 19.030", "Dock Sour regular equal"]


@pytest.mark.parametrize("page", PAGES)
def test_every_link_leads_somewhere(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    links = [link for link in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in link]
    assert [link for link in links if not ((ROOT / page).parent / link).exists()] == []


def test_nothing_claims_to_be_more_than_a_functional_stop() -> None:
    """IEC 60204-1 and ISO 13850 keep such words for hardware that removes the power (from memory)."""
    claims = re.compile(
        r"emergency.stop|e-stop|fail.?safe|safety.rated|\bSIL ?\d|\bPL ?[a-e]\b", re.IGNORECASE
    )
    found = []
    for folder in ("gen", "hil", "targets", "templates", "examples"):
        for path in sorted((ROOT / folder).rglob("*")):
            if path.suffix in (".py", ".c", ".h", ".md", ".j2", ".toml") and "build" not in path.parts:
                found += [(str(path), m[0]) for m in claims.finditer(path.read_text(encoding="utf-8"))]
    found += [
        (page, match[0]) for page in PAGES for match in claims.finditer((ROOT / page).read_text("utf-8"))
    ]
    assert found == []
