"""The generated headers: what real compilers say of them, and what they hold."""

from __future__ import annotations

import json
import re
import subprocess
from fractions import Fraction
from pathlib import Path

import pytest

from dosewright.gen import emit
from dosewright.gen.load import load
from dosewright.gen.lower import Compiled, lower
from dosewright.gen.plan import plans
from project_files import changed, example, put
from tools import need

TARGETS = Path(__file__).parents[2] / "targets"
STRICT = ["-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Werror", "-fsyntax-only"]
C99, CPP17 = ["-x", "c", "-std=c99"], ["-x", "c++", "-std=c++17"]
COMPILERS = [
    ("gcc", C99),
    ("clang", C99),
    ("g++", CPP17),
    ("clang++", CPP17),
    ("avr-gcc", [*C99, "-mmcu=atmega328p", "-Os"]),
    ("arm-none-eabi-gcc", [*C99, "-mcpu=cortex-m0", "-mthumb"]),
]
HOSTILE = 'Dock */ #error "Sour\\" ??/ 酸い'


@pytest.fixture(scope="module")
def compiled() -> Compiled:
    return lower(load(Path(__file__).parents[2] / "examples" / "soda-cart"))


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Compiled:
    """The example with a recipe and a machine whose names try to end comments and strings."""
    folder = tmp_path_factory.mktemp("hostile")
    files = changed(
        example(),
        ("recipes.toml", '[recipe."Dock Sour"]', f"[recipe.'{HOSTILE}']"),
        ("machine.toml", 'name = "Quayside soda cart"', 'name = "cart */ int x; /*"'),
    )
    put(folder, files)
    return lower(load(folder))


def _write(folder: Path, compiled: Compiled) -> None:
    for name, text in {
        "machine.h": emit.machine_h(compiled.machine),
        "recipes.h": emit.recipes_h(compiled),
        "table.h": emit.table_h(compiled),
    }.items():
        (folder / name).write_text(text, encoding="utf-8")


@pytest.mark.parametrize("which", ["compiled", "hostile"])
@pytest.mark.parametrize(("compiler", "flags"), COMPILERS, ids=[c for c, _ in COMPILERS])
def test_headers_compile_without_a_warning(
    compiler: str, flags: list[str], which: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    need(compiler)
    _write(tmp_path, request.getfixturevalue(which))
    port = "avr" if compiler == "avr-gcc" else "host"
    includes = [
        f"-I{TARGETS / folder}" for folder in ("engine", port, *(["atmega328p"] if port == "avr" else []))
    ]
    for tables in ([], ["-DDW_MACHINE_TABLES"]):
        (tmp_path / "all.src").write_text('#include "machine.h"\n#include "table.h"\n#include "recipes.h"\n')
        done = subprocess.run(
            [compiler, *flags, *STRICT, *tables, *includes, "all.src"],
            cwd=tmp_path,
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stderr


def test_the_example_in_recipes_h_runs_as_the_plan_says(compiled: Compiled, tmp_path: Path) -> None:
    """The ten lines of the header's own comment, compiled and run: on-times as in the plan."""
    need("cc")
    text = emit.recipes_h(compiled)
    comment = text[: text.index("*/")]
    body = "\n".join(line[3:] for line in comment[comment.index(" * void pour") :].splitlines())
    assert len(body.splitlines()) == 11
    (tmp_path / "recipes.h").write_text(text, encoding="utf-8")
    (tmp_path / "main.c").write_text(
        f"""#include <stdio.h>
#include "recipes.h"
static unsigned long now;
static void board_write(uint8_t out, uint8_t level) {{ printf("%u %u %lu\\n", out, level, now); }}
static void board_wait(uint32_t ticks) {{ now += ticks; }}
{body}
int main(void)
{{
    for (unsigned r = 0; r < DW_RECIPE_COUNT; r++)
        for (uint8_t s = 0; s < DW_SERVING_COUNT; s++) {{
            printf("pour %u %u\\n", dw_recipe_list[r].number, s);
            now = 0;
            pour(&dw_recipe_list[r], s);
        }}
    return 0;
}}
"""
    )
    flags = ["-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-Wno-missing-prototypes"]
    subprocess.run(["cc", *flags, "-o", "main", "main.c"], cwd=tmp_path, check=True)
    printed = subprocess.run([tmp_path / "main"], check=True, capture_output=True, text=True).stdout
    pours = printed.split("pour ")[1:]
    expected = list(plans(compiled))
    assert len(pours) == len(expected) > 0
    for pour, plan in zip(pours, expected, strict=True):
        head, *lines = pour.splitlines()
        assert head == f"{plan.recipe.number} {plan.serving}"
        on_times: dict[int, int] = {}
        for on, off in zip(lines[::2], lines[1::2], strict=True):
            (out, level, start), (same, other, end) = (map(int, x.split()) for x in (on, off))
            assert (same, other) == (out, 1 - level)
            on_times[out] = end - start
        by_plan = {
            edge.output: sum(e.tick if not e.on else -e.tick for e in plan.edges if e.output == edge.output)
            for edge in plan.edges
        }
        assert on_times == by_plan


def test_an_output_that_is_on_at_low_idles_high_and_says_so(tmp_path: Path) -> None:
    put(
        tmp_path,
        changed(example(), ("machine.toml", 'A = { pin = "D2",', 'A = { pin = "D2", on_when = "low",')),
    )
    text = emit.machine_h(lower(load(tmp_path)).machine)
    assert "{3u, 0x04u, 0u}, /* D2 */" in text
    idle = re.search(
        r"dw_port_idle, DW_PORTS\)\n#ifdef DW_MACHINE_TABLES\n    = \{\n(.*?)\n    \}", text, re.S
    )
    assert idle and [line.strip() for line in idle[1].splitlines()] == [
        "0x00u,",
        "0x00u,",
        "0x00u,",
        "0x04u,",
    ]


def test_plan_json_holds_what_the_recipe_asks_for(compiled: Compiled) -> None:
    """45 ml at 98 ml/min take 27.551 s (common practice, no source), in the file that a builder reads."""
    data = json.loads(emit.plan_json(compiled, plans(compiled)))
    assert [entry["recipe"] for entry in data["left_out"]] == ["Foghorn", "Orchard Jetty"]
    assert len(data["pours"]) == 13 * 3
    sour = next(p for p in data["pours"] if (p["recipe"], p["serving"]) == ("Dock Sour", "regular"))
    lime = next(d for d in sour["doses"] if data["outputs"][d["output"]] == "C")
    assert lime["asked_ml"] == 20
    # 20 ml less 0.15 ml run-on at 98 ml/min, worked out by hand
    assert lime["exact_ticks"] == pytest.approx(float(Fraction("19.85") / 98 * 60_000), abs=0.01)
    assert abs(lime["ticks"] - lime["exact_ticks"]) <= 1


def test_a_machine_with_nothing_measured_still_has_headers(tmp_path: Path) -> None:
    """So that a first firmware can jog: no recipe in the table, and the headers compile."""
    need("cc")
    files = example()
    files["calibration.toml"] = ""
    put(tmp_path, files)
    nothing = lower(load(tmp_path))
    assert nothing.recipes.recipes == () and len(nothing.left_out) == 15
    _write(tmp_path, nothing)
    (tmp_path / "all.c").write_text('#include "machine.h"\n#include "table.h"\n#include "recipes.h"\n')
    flags = [*C99, *STRICT, f"-I{TARGETS / 'engine'}", f"-I{TARGETS / 'host'}"]
    done = subprocess.run(["cc", *flags, "all.c"], cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
