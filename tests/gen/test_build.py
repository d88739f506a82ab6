"""``dosewright build``: what it says of the controller, what it refuses, and the sources it leaves."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from dosewright.gen import firmware, targets
from dosewright.gen.cli import main
from dosewright.gen.emit import table_bin
from dosewright.gen.load import load
from dosewright.gen.lower import lower
from project_files import changed, example, put
from tools import need

EXAMPLES = Path(__file__).parents[2] / "examples"
# Bytes of flash and memory that programs may take: maximum_size and maximum_data_size of the boards uno and
# mega in boards.txt of the Arduino AVR core 1.8; of the EEPROM: data sheets. How each is flashed: same file
# (protocol, speed; nano with the old bootloader apart), and the chip's name for avrdude from its manual.
BOARDS = {
    "soda-cart": (32_256, 2048, 1024, ["-p m328p -c arduino -P PORT -b 115200", "-b 57600"]),
    "night-ferry": (253_952, 8192, 4096, ["-p m2560 -c wiring -P PORT -b 115200"]),
}
HEAD, BEFORE = 4, 1 + 21  # before a record in the store, before the first slot: TABLE.md
FOREIGN_NAME = ("machine.toml", '"Quayside soda cart"', '"Quayside soda bar"')


def bytes_of_hex(file: Path) -> int:
    """Data bytes of an Intel HEX file: in each record of type 00 the first byte counts them (Intel, 1988)."""
    lines = file.read_text(encoding="ascii").splitlines()
    return sum(int(line[1:3], 16) for line in lines if line[7:9] == "00")


def files_of(folder: Path) -> dict[str, bytes]:
    paths = [path for path in folder.rglob("*") if path.is_file()]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}


@pytest.mark.parametrize("name", BOARDS)
def test_build_says_what_the_program_takes_and_how_to_flash_it(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Sizes by the files themselves and binutils, room by the boards' own list."""
    need("avr-gcc", "avr-size")
    flash, ram, eeprom, wanted = BOARDS[name]
    project, made = EXAMPLES / name, tmp_path / "firmware"
    assert main(["build", str(project), "--out", str(tmp_path), "--json"]) == 0
    report = json.loads(capsys.readouterr().out)
    sizes = subprocess.run(["avr-size", made / "firmware.elf"], check=True, capture_output=True, text=True)
    _, data, bss = map(int, sizes.stdout.splitlines()[1].split()[:3])
    recipes, calibration = map(len, table_bin(lower(load(project))))
    stack = json.loads((made / "budget.json").read_text(encoding="utf-8"))["stack"]
    assert stack > 100
    takes = {part["of"]: (part["bytes"], part["room"]) for part in report["takes"]}
    assert takes == {
        "flash": (bytes_of_hex(made / "firmware.hex"), flash),
        "memory": (data + bss + stack, ram),
        "recipes in the store": (recipes, (eeprom - BEFORE - 2 * (HEAD + calibration)) // 2 - HEAD),
    }
    commands = [line for line in report["flash"] if "avrdude" in line]
    assert len(commands) == len(wanted)
    for command, words in zip(commands, wanted, strict=True):
        assert command.startswith("    avrdude -p ") and words in command
        assert command.endswith(f" -U flash:w:{made / 'firmware.hex'}:i")

    assert main(["build", str(project), "--out", str(tmp_path)]) == 0
    lines = capsys.readouterr().out.splitlines()
    parts = f" ({data + bss} static, {stack} at most on the stack)"
    for what, (taken, room) in takes.items():
        assert f"{what}: {taken} of {room} bytes" + (parts if what == "memory" else "") in lines
    at = lines.index(f"to put it onto the controller: dosewright flash {project} --rig PORT")
    assert lines[at + 1 :] == [
        "or by hand, where PORT is one that dosewright ports lists:", *report["flash"]
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("limit", "words"),
    [
        (("flash = 32256", "flash = 9000"), r"does not fit; flash: needs \d{5} bytes, there are 9000$"),
        (("ram = 2048", "ram = 500"), r"does not fit; memory: needs \d+ bytes .* there are 500$"),
    ],
)
def test_a_program_over_the_limits_is_refused_and_an_earlier_build_left_whole(
    limit: tuple[str, str],
    words: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    need("avr-gcc", "avr-size")
    cart, root = put(tmp_path / "cart", example()), tmp_path / "targets"
    build = ["build", str(cart), "--arduino"]
    assert main(build) == 0
    before = files_of(cart / "build")
    assert {"machine.h", "firmware/firmware.hex", "source/machine.h"} <= before.keys()
    shutil.copytree(targets.folder_of_targets(), root)
    described = root / "atmega328p" / "target.toml"
    text = described.read_text(encoding="utf-8")
    assert text.count(limit[0]) == 1
    described.write_text(text.replace(*limit), encoding="utf-8")
    for module in (targets, firmware):
        monkeypatch.setattr(module, "folder_of_targets", lambda: root)
    put(cart, changed(example(), FOREIGN_NAME))
    capsys.readouterr()
    assert main(build) == 1
    said = capsys.readouterr()
    assert re.search(words, said.err.strip()) and said.out == ""
    assert files_of(cart / "build") == before
    assert main([*build, "--out", str(tmp_path / "new")]) == 1
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("blocked", ["firmware", "source/engine", "arduino"])
def test_where_one_folder_cannot_be_written_nothing_is(
    blocked: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    need("avr-gcc", "avr-size")
    cart, out = put(tmp_path / "cart", example()), tmp_path / "out"
    (out / blocked).parent.mkdir(parents=True)
    (out / blocked).write_text("a file where a folder is needed")
    assert main(["build", str(cart), "--out", str(out), "--arduino"]) == 1
    assert "cannot be written" in capsys.readouterr().err
    assert files_of(out).keys() == {blocked}


def test_without_a_compiler_the_sources_are_made_and_compile_elsewhere_to_the_same_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    cart, out = put(tmp_path / "cart", example()), tmp_path / "out"
    with monkeypatch.context() as without:
        without.setenv("PATH", str(tmp_path))
        assert main(["build", str(cart), "--out", str(out)]) == 0
    commands = out / "source" / "compile.txt"
    said = f"avr-gcc is not installed; to have it: apt-get install gcc-avr .*; to compile it .*: {commands}$"
    assert re.search(said, capsys.readouterr().out, re.M)
    assert not (out / "firmware").exists()
    alone = files_of(out / "source")
    assert alone["machine.h"] == (out / "machine.h").read_bytes()
    assert b"apt-get install gcc-avr" in alone["compile.txt"]
    assert not any(str(tmp_path).encode() in text for text in alone.values())
    need("avr-gcc")
    assert main(["build", str(cart)]) == 0
    assert files_of(cart / "build" / "source") == alone
    elsewhere = tmp_path / "elsewhere"
    shutil.copytree(out / "source", elsewhere)
    done = subprocess.run(["sh", "-e", "compile.txt"], cwd=elsewhere, capture_output=True, text=True)
    assert (done.returncode, done.stdout + done.stderr) == (0, "")
    made = cart / "build" / "firmware"
    assert (elsewhere / "firmware.hex").read_bytes() == (made / "firmware.hex").read_bytes()
