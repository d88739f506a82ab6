"""Programs made of the engine's sources, built once a run: a cart as a process, and parts one by one."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from engine.client import calibration, recipes
from engine.shop import BOOK, SERVINGS, SLOW
from tools import need

ROOT = Path(__file__).parents[2]
ENGINE = ROOT / "targets/engine"
HOST = ROOT / "targets/host"
WITHOUT_LINK = [path for path in sorted(ENGINE.glob("dw_*.c")) if path.stem not in ("dw_link", "dw_serve")]
TESTS = ROOT / "tests/engine"
WARNINGS = ["-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Werror"]
SANITISERS = ["-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]


def compile_c(sources: Sequence[Path], includes: Sequence[Path], program: Path) -> Path:
    """A program with sanitisers where the compiler has them."""
    need("cc")
    compiler = shutil.which("cc")
    assert compiler
    command = [
        compiler,
        *WARNINGS,
        *(f"-I{folder}" for folder in includes),
        *map(str, sources),
        "-o",
        str(program),
    ]
    if subprocess.run([*command, *SANITISERS], capture_output=True).returncode:
        subprocess.run(command, check=True)
    return program


def built_in(unit: str = "built in") -> str:
    """A table.h with recipes and a calibration."""
    rows = {
        "dw_default_recipes": recipes(SERVINGS, BOOK),
        "dw_default_calibration": calibration([SLOW, SLOW], unit),
    }
    text = '#include <stdint.h>\n#include "dw_target.h"\n'
    for name, record in rows.items():
        text += f"static const uint8_t {name}[] DW_ROM = {{ {', '.join(map(str, record))} }};\n"
    return text


@pytest.fixture(scope="session")
def cart(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The cart of ``cart/machine.h`` as a host process, without recipes of its own."""
    folder = tmp_path_factory.mktemp("cart")
    sources = [*sorted(ENGINE.glob("dw_*.c")), *sorted(HOST.glob("*.c"))]
    return compile_c(sources, [TESTS / "cart", ENGINE, HOST], folder / "cart")


@pytest.fixture(scope="session")
def cart_with_recipes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with recipes and a calibration built into the firmware."""
    folder = tmp_path_factory.mktemp("cart_with_recipes")
    (folder / "table.h").write_text(built_in())
    sources = [*sorted(ENGINE.glob("dw_*.c")), *sorted(HOST.glob("*.c"))]
    return compile_c(sources, [folder, TESTS / "cart", ENGINE, HOST], folder / "cart")


@pytest.fixture(scope="session")
def parts(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Sequence[str]], list[str]]:
    """Asks ``parts.c``: one line of answer for each line."""
    program = tmp_path_factory.mktemp("parts") / "parts"
    sources = [TESTS / "parts.c", ENGINE / "dw_crc.c", ENGINE / "dw_cobs.c", ENGINE / "dw_number.c"]
    compile_c(sources, [TESTS / "fuzz", ENGINE], program)

    def ask(lines: Sequence[str]) -> list[str]:
        done = subprocess.run(
            [program], input="\n".join(lines) + "\n", capture_output=True, text=True, check=True
        )
        answers = done.stdout.splitlines()
        assert len(answers) == len(lines)
        return answers

    return ask


@pytest.fixture(scope="session")
def driver(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """driver.c and the engine, with sanitisers."""
    need("cc")
    program = tmp_path_factory.mktemp("driver") / "driver"
    compiler = shutil.which("cc")
    assert compiler
    flags = [
        "-std=c99",
        "-O1",
        "-g",
        "-Wall",
        "-Wextra",
        "-fsanitize=address,undefined",
        "-fno-sanitize-recover=all",
    ]
    folders = [f"-I{folder}" for folder in (TESTS / "fuzz", ENGINE)]
    sources = [TESTS / "driver.c", *WITHOUT_LINK]
    subprocess.run([compiler, *flags, *folders, *map(str, sources), "-o", str(program)], check=True)
    return program
