"""The examples as Arduino libraries, and their sketches compiled as the editor does it."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from dosewright.gen.arduino import library, library_name
from dosewright.gen.load import load
from dosewright.gen.lower import lower
from dosewright.gen.output import replace_all
from tools import missing, need

EXAMPLES = Path(__file__).parents[2] / "examples"
ARDUINO = Path("/usr/share/arduino/hardware/arduino/avr")
BOARDS = {  # as in the core's boards.txt: chip, variant, name; and an example for that chip
    "uno": ("atmega328p", "standard", "AVR_UNO", EXAMPLES / "soda-cart"),
    "mega": ("atmega2560", "mega", "AVR_MEGA2560", EXAMPLES / "night-ferry"),
}
# as in the core's platform.txt, without link-time optimisation, which hides where a warning comes from
COMMON = ["-g", "-Os", "-ffunction-sections", "-fdata-sections", "-DF_CPU=16000000L", "-DARDUINO=10819"]
C = ["-std=gnu11"]
CPP = ["-std=gnu++11", "-fpermissive", "-fno-exceptions", "-fno-threadsafe-statics", "-Wno-error=narrowing"]
WARN = ["-Wall", "-Wextra", "-Werror"]
# float.h of avr-gcc 5 has it for C only, and the core's strings want it
CORE = ["-w", "-DDECIMAL_DIG=__DECIMAL_DIG__"]


@pytest.fixture(scope="session")
def libraries(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """The library of a board's example as ``dosewright build --arduino`` writes it."""
    places: dict[str, Path] = {}

    def made(board: str) -> Path:
        if board not in places:
            project = load(BOARDS[board][3])
            compiled = lower(project)
            places[board] = tmp_path_factory.mktemp("libraries") / library_name(compiled.machine)
            replace_all(places[board], library(compiled, project.target))
        return places[board]

    return made


@pytest.fixture(scope="session")
def library_folder(libraries: Callable[[str], Path]) -> Path:
    """The library of the small example."""
    return libraries("uno")


@pytest.fixture(scope="session")
def sketch(libraries: Callable[[str], Path], tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Compile a board's sketch, or another text, for it; our warnings are errors."""
    need("avr-gcc", "avr-g++")
    if not (ARDUINO / "boards.txt").is_file():
        missing("the Arduino core", "apt-get install arduino-core-avr")
    places: dict[str, Path] = {}
    made: dict[tuple[str, str], Path] = {}

    def compiled(board: str, text: str = "") -> Path:
        folder = libraries(board)
        text = text or (folder / "examples" / "Pour" / "Pour.ino").read_text(encoding="utf-8")
        if board not in places:
            places[board] = tmp_path_factory.mktemp(board)
            _compile_library(folder, board, places[board])
        if (board, text) not in made:
            name = f"sketch-{len(made)}"
            made[board, text] = _link(folder, board, places[board], name, text)
        return made[board, text]

    return compiled


def _flags(folder: Path, board: str) -> list[str]:
    chip, variant, name, _ = BOARDS[board]
    places = [ARDUINO / "cores" / "arduino", ARDUINO / "variants" / variant]
    places += [ARDUINO / "libraries" / "EEPROM" / "src", folder / "src"]
    defined = [f"-DARDUINO_{name}", "-DARDUINO_ARCH_AVR"]
    return [*COMMON, f"-mmcu={chip}", *defined, *(f"-I{place}" for place in places)]


def _run(work: Path, command: list[str]) -> None:
    done = subprocess.run(command, cwd=work, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def _compile_library(folder: Path, board: str, work: Path) -> None:
    """The core and the library, into objects."""
    core, ours = ARDUINO / "cores" / "arduino", folder / "src"
    for source in [*sorted(core.glob("*.c*")), *sorted(ours.glob("*.c*"))]:
        language = ["avr-g++", *CPP] if source.suffix == ".cpp" else ["avr-gcc", *C]
        care = WARN if source.parent == ours else CORE
        made = f"{source.parent.name}_{source.name}.o"
        _run(work, [*language, *_flags(folder, board), *care, "-c", "-o", made, str(source)])


def _link(folder: Path, board: str, work: Path, name: str, text: str) -> Path:
    (work / f"{name}.ino").write_text(text, encoding="utf-8")
    # the editor puts this include before every sketch
    sketch = ["-x", "c++", "-include", "Arduino.h", "-c", "-o", f"{name}.sketch", f"{name}.ino"]
    _run(work, ["avr-g++", *CPP, *_flags(folder, board), *WARN, *sketch])
    objects = sorted(path.name for path in work.glob("*.o"))
    link = ["avr-gcc", f"-mmcu={BOARDS[board][0]}", "-Os", "-Wl,--gc-sections", "-o", f"{name}.elf"]
    _run(work, [*link, f"{name}.sketch", *objects, "-lm"])
    return work / f"{name}.elf"
