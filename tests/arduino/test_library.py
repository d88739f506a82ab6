"""The Arduino library of a machine: its files, what the editors want of them, and what compilers say."""

from __future__ import annotations

import dataclasses
import json
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from dosewright.gen import arduino
from dosewright.gen.cli import main
from dosewright.gen.load import load
from dosewright.gen.lower import Compiled, lower
from dosewright.gen.models.base import LONGEST_NAME
from dosewright.gen.problems import UserError
from dosewright.gen.targets import Target
from project_files import changed, example, put
from tools import need

# Arduino library specification, rev. 2.2 (docs/library-specification.md of arduino-cli): the fields that it
# requires, with `includes`, and the values that a category may have.
FIELDS = {
    "name", "version", "author", "maintainer", "sentence", "paragraph", "category", "url", "architectures",
    "includes",
}  # fmt: skip
CATEGORIES = {
    "Display", "Communication", "Signal Input/Output", "Sensors", "Device Control", "Timing", "Data Storage",
    "Data Processing", "Other",
}  # fmt: skip
SEMANTIC_VERSION = r"(0|[1-9]\d*)\.(0|[1-9]\d*)\.(0|[1-9]\d*)"  # semver.org, without pre-releases
# What a power cut in an upload does, by how a board keeps what it is sent (dw_target.h)
PROMISES = {
    "BYTES": "leaves all old or all new",
    "PAGES": "may lose both",
    "MEMORY": "is lost with the power",
}
HOSTILE = 'cart */ "x"\\n= <y> 酸い'


def project_of(folder: Path, *changes: tuple[str, str, str]) -> tuple[Compiled, Target]:
    put(folder, changed(example(), *changes))
    project = load(folder)
    return lower(project), project.target


def test_the_folder_is_what_both_editors_look_for(library_folder: Path) -> None:
    name = library_folder.name
    fields = properties(library_folder)
    assert fields.keys() == FIELDS
    assert fields["name"] == name and fields["includes"] == f"{name}.h"
    assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,62}", name)
    described = json.loads((library_folder / "library.json").read_text())
    assert (described["name"], described["version"]) == (name, fields["version"])
    assert described["headers"] == f"{name}.h" and (library_folder / "src" / f"{name}.h").is_file()
    for line in (library_folder / "keywords.txt").read_text().splitlines():
        assert line.startswith("#") or re.fullmatch(r"\w+\t(KEYWORD1|KEYWORD2|LITERAL1)", line)


def properties(folder: Path) -> dict[str, str]:
    lines = (folder / "library.properties").read_text(encoding="utf-8").splitlines()
    return dict(line.split("=", 1) for line in lines)


def promises(folder: Path) -> dict[str, str]:
    """What the README says of a power cut, by the kind of board."""
    text = (folder / "README.md").read_text(encoding="utf-8").partition("## Which boards")[2]
    rows = [line.strip("| ").split(" | ") for line in text.splitlines() if line.startswith("| ")][1:]
    return {
        board: said for boards, _, said in rows for board in re.sub(r" \([^)]*\)", "", boards).split(", ")
    }


def test_the_properties_have_values_that_the_arduino_specification_allows(library_folder: Path) -> None:
    """The specification, and for the URL what arduino-lint's schema adds: not empty, of the format `uri`."""
    fields = properties(library_folder)
    assert fields["category"] in CATEGORIES
    assert re.fullmatch(SEMANTIC_VERSION, fields["version"])
    assert all(fields[name].strip() for name in FIELDS)
    assert not fields["name"].startswith("Arduino") and not fields["maintainer"].startswith("Arduino")
    url = urlsplit(fields["url"])  # RFC 3986: a scheme, an authority, no space
    assert url.scheme in ("http", "https") and url.hostname and " " not in fields["url"]
    # RFC 2606 keeps .invalid for names that are sure to lead nowhere, and look it
    assert url.hostname.endswith(".invalid"), "once there is a home page, name it, and nobody else's"
    # `*` matches all; a list makes the editor warn on every board of another architecture
    assert "any other" in promises(library_folder) and fields["architectures"] == "*"


def test_the_manifest_has_values_that_platformio_documents(library_folder: Path) -> None:
    """Page library.json of PlatformIO's documentation; the characters by platformio-core's schema."""
    described = json.loads((library_folder / "library.json").read_text(encoding="utf-8"))
    assert described.keys() >= {"name", "version"}  # required
    assert len(described["name"]) <= 50 and not set(":;/,@<>") & set(described["name"])
    assert re.fullmatch(SEMANTIC_VERSION, described["version"])
    assert 0 < len(described["description"]) <= 255
    assert described["license"] == "MIT"  # by its identifier in the SPDX licence list
    assert described["frameworks"] == "arduino"  # its name in the list of `pio platform frameworks`
    assert described["platforms"] == "*"  # compatible with all


def test_the_pages_promise_what_the_port_does_on_each_board(library_folder: Path) -> None:
    said = promises(library_folder)
    port = (library_folder / "src" / "dw_target.h").read_text(encoding="utf-8")
    branches = re.findall(r"^#(?:if|elif|else)\b(.*)\n#define DW_STORE_KIND DW_STORE_(\w+)$", port, re.M)
    kinds = {
        board: kind
        for condition, kind in branches
        for board in re.findall(r"ARDUINO_ARCH_(\w+)", condition) or ["ANY OTHER"]
    }
    assert set(kinds.values()) == PROMISES.keys()
    assert {board.upper() for board in said} == kinds.keys()
    assert {b: w for b, w in said.items() if PROMISES[kinds[b.upper()]] not in w} == {}
    kept = re.search(r"power cut only on boards .*?\((.*?)\)", properties(library_folder)["paragraph"])
    assert kept and {b.upper() for b in kept[1].split(", ")} == {b for b in kinds if kinds[b] == "BYTES"}


def test_every_word_that_is_coloured_is_there(library_folder: Path) -> None:
    headers = "".join(path.read_text() for path in (library_folder / "src").glob("*.h"))
    words = re.findall(r"^(\w+)\t", (library_folder / "keywords.txt").read_text(), re.M)
    assert "RECIPE_DOCK_SOUR" in words and "SERVING_TALL" in words
    assert [word for word in words if not re.search(rf"\b{word}\b", headers)] == []


@pytest.mark.parametrize("board", ["uno", "mega"])
def test_the_sketch_compiles_without_a_warning_of_ours(sketch: Callable[..., Path], board: str) -> None:
    """Debian's Arduino core; warnings are errors but for the core's own files. It has to fit an Uno."""
    elf = sketch(board)
    need("avr-size")
    sizes = subprocess.run(["avr-size", elf], check=True, capture_output=True, text=True).stdout
    text, data, bss = map(int, sizes.splitlines()[1].split()[:3])
    print(f"{board}: {text + data} bytes of flash, {data + bss} of memory before the stack")
    if board == "uno":
        assert text + data <= 32_256  # 32 KiB less the bootloader: boards.txt
        assert data + bss <= 2048 - 700  # the sketch's stack, and its own variables


def test_the_same_project_gives_the_same_bytes(tmp_path: Path) -> None:
    made = [arduino.library(*project_of(tmp_path / str(i))) for i in range(2)]
    assert made[0] == made[1]
    assert not any(str(tmp_path).encode() in data for data in made[0].values())


def test_build_tells_the_library_as_one_and_writes_only_what_changed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path, example())
    build = ["build", str(tmp_path), "--no-firmware", "--arduino", "--json"]

    def told() -> dict[str, object]:
        assert main(build) == 0
        files = json.loads(capsys.readouterr().out)["files"]
        return next(file for file in files if file["name"].startswith("arduino/"))

    folder = "arduino/Dosewright_Quayside_Soda_Cart"
    assert told() == {"name": folder, "written": True, "why": "new"}
    assert told() == {"name": folder, "written": False, "why": "unchanged"}
    engine = tmp_path / "build" / folder / "src" / "dw_tick.c"
    before = engine.stat().st_mtime_ns
    put(tmp_path, changed(example(), ("recipes.toml", '"lime juice" = "20 ml"', '"lime juice" = "22 ml"')))
    assert told() == {"name": folder, "written": True, "why": "changed: recipes.toml"}
    assert engine.stat().st_mtime_ns == before


def test_no_name_breaks_out_of_a_file(tmp_path: Path) -> None:
    name = json.dumps(HOSTILE)
    compiled, target = project_of(tmp_path, ("machine.toml", '"Quayside soda cart"', name))
    files = arduino.library(compiled, target)
    assert len(files["library.properties"].decode().splitlines()) == len(FIELDS)
    assert json.loads(files["library.json"])
    for path in files:
        if path.endswith((".ino", f"{arduino.library_name(compiled.machine)}.h")):
            text = files[path].decode()
            assert text.count("/*") == text.count("*/")


def test_several_machines_have_several_names(tmp_path: Path) -> None:
    names = {
        arduino.library_name(
            project_of(tmp_path / str(i), ("machine.toml", '"Quayside soda cart"', f'"{name}"'))[0].machine
        )
        for i, name in enumerate(["Servo", "Soda 2", "七"])
    }
    assert names == {"Dosewright_Servo", "Dosewright_Soda_2", "Dosewright_U4E03"}


def test_the_longest_name_is_within_what_both_editors_take(tmp_path: Path) -> None:
    """Arduino specification: 63 characters; PlatformIO, page library.json: 50, and 255 of description."""
    compiled, target = project_of(
        tmp_path, ("machine.toml", '"Quayside soda cart"', json.dumps(LONGEST_NAME * "酸"))
    )
    described = json.loads(arduino.library(compiled, target)["library.json"])
    assert len(described["name"]) == 50 and len(described["description"]) <= 255


def test_a_pin_without_a_number_is_told(tmp_path: Path) -> None:
    compiled, target = project_of(tmp_path)
    first = compiled.machine.outputs[0]
    assert first.pin
    nameless = dataclasses.replace(first, pin=dataclasses.replace(first.pin, number=255))
    machine = dataclasses.replace(compiled.machine, outputs=(nameless, *compiled.machine.outputs[1:]))
    with pytest.raises(UserError, match="no Arduino number of pin D2; wanted pins of an Arduino board"):
        arduino.library(dataclasses.replace(compiled, machine=machine), target)


def test_a_machine_with_nothing_to_pour_has_a_sketch_that_jogs_and_listens(tmp_path: Path) -> None:
    files = example()
    files["calibration.toml"] = ""
    put(tmp_path, files)
    project = load(tmp_path)
    sketch = arduino.library(lower(project), project.target)["examples/Pour/Pour.ino"].decode()
    assert "Dosewright.begin(Serial)" in sketch and "OWN_BUTTON" not in sketch
