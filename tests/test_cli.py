"""The command: every verb explains itself, starts light, and never shows a traceback."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from dosewright.gen.cli import VERBS, main
from tools import need

EXAMPLE = str(Path(__file__).parents[1] / "examples" / "soda-cart")
HEAVY = {"pydantic", "jinja2", "rich", "serial", "tomlkit", "tree_sitter", "tree_sitter_toml"}


@pytest.mark.parametrize("verb", VERBS)
def test_help_teaches_with_an_example(verb: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main([verb, "--help"])
    text = capsys.readouterr().out
    assert stop.value.code == 0
    assert f"example:\n  dosewright {verb}" in text
    assert len(text.splitlines()) > 8


@pytest.mark.parametrize("words", [["--help"], *([verb, "--help"] for verb in VERBS)], ids=" ".join)
def test_help_imports_nothing_heavy(words: list[str]) -> None:
    """What a quick start rests on; the time itself is measured, not asserted."""
    code = (
        "import sys; from dosewright.gen.cli import main\n"
        f"try: main({words!r})\nexcept SystemExit: pass\n"
        f"print('heavy:', sorted({HEAVY!r} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.endswith("heavy: []\n"), done.stdout[-300:]


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        ([], 2, "verbs:"),
        (["--help"], 0, "verbs:"),
        (["biuld"], 2, "did you mean 'build'?"),
        (["plan", EXAMPLE, "Sevn Bells"], 2, 'did you mean "Seven Bells"?'),
        (["plan", EXAMPLE, "Foghorn"], 2, "not loaded: chilli syrup"),
        (["plan", EXAMPLE, "--svg", "x.svg"], 2, "name a recipe"),
        (["plan", EXAMPLE, "3", "--serving", "talll"], 2, 'did you mean "tall"?'),
        (["check", "no such folder"], 1, "no such folder"),
        (["build", EXAMPLE, "--out", "/dev/null/x"], 1, "cannot be written"),
        (["replay", EXAMPLE, "--rig", "/dev/no-such-port"], 3, "/dev/no-such-port"),
    ],
)
def test_mistakes_are_answered_in_words(
    words: list[str], code: int, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words) == code
    printed = capsys.readouterr()
    assert says in printed.out + printed.err
    assert "Traceback" not in printed.err


@pytest.mark.parametrize("words", [["plan", EXAMPLE], ["plan", EXAMPLE, "1"], ["check", EXAMPLE]])
def test_json_is_json(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*words, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)


def test_build_without_a_compiler_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert main(["build", EXAMPLE, "--out", str(tmp_path / "out")]) == 0
    assert "avr-gcc is not installed; to have it: apt-get install gcc-avr" in capsys.readouterr().out
    assert {p.name for p in (tmp_path / "out").iterdir()} == {
        "machine.h", "recipes.h", "table.bin", "table.h", "plan.json", "manifest.json", "source",
    }  # fmt: skip
    assert main(["check", EXAMPLE]) == 0
    assert main(["plan", EXAMPLE]) == 0
    assert main(["replay", EXAMPLE, "--rig", "host"]) == 3
    assert "install one: apt-get install gcc" in capsys.readouterr().err


@pytest.mark.skipif(os.name == "nt", reason="a script that stands for a compiler")
def test_a_compiler_that_fails_is_quoted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "cc").write_text("#!/bin/sh\necho 'cc: no space left' >&2\nexit 4\n")
    (tmp_path / "cc").chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:/bin:/usr/bin")
    assert main(["replay", EXAMPLE]) == 3
    said = capsys.readouterr().err
    assert said.startswith("cc: could not make the controller's program (ended with 4)")
    assert said.endswith("cc: no space left\n")


def test_a_build_is_the_same_bytes_anywhere(tmp_path: Path) -> None:
    """Other folder, other language, other hash seed: nothing of them gets into a file."""
    built = []
    for name, seed in (("one", "1"), ("two places/ünï", "77")):
        environment = {**os.environ, "PYTHONHASHSEED": seed, "LC_ALL": "C", "HOME": str(tmp_path)}
        command = [
            sys.executable,
            "-m",
            "dosewright.gen.cli",
            "build",
            EXAMPLE,
            "--out",
            str(tmp_path / name),
        ]
        subprocess.run(command, env=environment, cwd=tmp_path, check=True, capture_output=True)
        files = sorted(p for p in (tmp_path / name).rglob("*") if p.is_file())
        built.append({str(p.relative_to(tmp_path / name)): p.read_bytes() for p in files})
    assert built[0] == built[1]
    assert "plan.json" in built[0]


def test_a_second_build_leaves_everything_alone_and_a_third_says_why_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Firmware too, where its compiler is installed: the same sources give the same bytes."""
    cart, out = tmp_path / "cart", tmp_path / "out"
    shutil.copytree(EXAMPLE, cart, ignore=shutil.ignore_patterns("build"))
    assert main(["build", str(cart), "--out", str(out)]) == 0
    times = {path: path.stat().st_mtime_ns for path in out.rglob("*")}
    capsys.readouterr()
    assert main(["build", str(cart), "--out", str(out), "--json"]) == 0
    files = json.loads(capsys.readouterr().out)["files"]
    assert {(file["written"], file["why"]) for file in files} == {(False, "unchanged")}
    assert {path: path.stat().st_mtime_ns for path in out.rglob("*")} == times
    book = cart / "recipes.toml"
    text = book.read_text(encoding="utf-8")
    assert '"20 ml"' in text
    book.write_text(text.replace('"20 ml"', '"21 ml"'), encoding="utf-8")
    assert main(["build", str(cart), "--out", str(out), "--json"]) == 0
    files = json.loads(capsys.readouterr().out)["files"]
    changed = {file["name"]: file["why"] for file in files if file["written"]}
    changed.pop("firmware/budget.json", None)  # the table may take as many bytes as before
    firmware = {"firmware/firmware.elf", "firmware/firmware.hex"} if shutil.which("avr-gcc") else set()
    assert changed.keys() == {"recipes.h", "table.bin", "table.h", "plan.json", "source"} | firmware
    assert {why for name, why in changed.items() if name not in firmware} == {"changed: recipes.toml"}
    assert {changed[name] for name in firmware} <= {"changed: table.h"}


@pytest.mark.parametrize(
    ("options", "words"),
    [([], r"; what is in \S+firmware is"), (["--no-firmware"], r"^what is in \S+firmware and \S+source is")],
)
def test_firmware_of_an_earlier_build_is_called_so(
    options: list[str],
    words: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    build = ["build", EXAMPLE, "--out", str(tmp_path / "out"), *options]
    assert main(build) == 0
    assert "earlier build" not in capsys.readouterr().out
    for name in ("firmware/firmware.hex", "source/machine.h"):
        (tmp_path / "out" / name).parent.mkdir(exist_ok=True)
        (tmp_path / "out" / name).touch()
    assert main(build) == 0
    assert re.search(f"{words} of an earlier build$", capsys.readouterr().out, re.MULTILINE)


@pytest.mark.skipif(os.name == "nt", reason="Windows delivers Ctrl-C to whole consoles only")
def test_ctrl_c_in_the_middle_ends_quietly(tmp_path: Path) -> None:
    """Interrupted while it pours: exit code 130, no traceback, and no rig left running."""
    need("cc")
    command = [sys.executable, "-m", "dosewright.gen.cli", "replay", EXAMPLE, "--json", "--faults"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        process.wait(0.9)
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    assert "Traceback" not in said
    # CPython ends by the signal itself (-2, for a shell 130 too) if it came while a class was being made
    assert (process.returncode, "interrupted" in said) in ((130, True), (-2, True), (0, False))


@pytest.mark.skipif(os.name == "nt", reason="a POSIX shell is needed")
@pytest.mark.parametrize("words", ["--help", "plan --help", f"plan {EXAMPLE}", f"plan {EXAMPLE} --json"])
def test_a_reader_that_goes_away_is_no_mistake(words: str) -> None:
    command = f"{sys.executable} -m dosewright.gen.cli {words} | true"
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True)
    assert done.stderr == ""
