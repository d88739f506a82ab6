"""A value change dump of a replay: the machine's own names, and every edge where the plan has it.

The form is that of IEEE 1364-2005, clause 18 (from memory): $timescale, $var TYPE SIZE CODE NAME, #TIME, and
a scalar change as its value and code in one word.
"""

from __future__ import annotations

import re
import shutil
from collections import defaultdict
from pathlib import Path

import pytest

from avr.cart import SMALL
from dosewright.gen.cli import main
from dosewright.gen.load import load
from dosewright.gen.lower import lower
from dosewright.gen.plan import plan
from dosewright.hil.avrboard.project import dump_names

TICK = 10_000_000  # 1 ms in the dump's 100 ps
CYCLE = 625


def changes(path: Path) -> dict[str, list[tuple[int, str]]]:
    """Times and values by name, read without help of the code that wrote them."""
    head, body = path.read_text(encoding="ascii").split("$enddefinitions $end\n")
    assert head.split("\n")[0] == "$timescale 100 ps $end"
    names = dict(re.findall(r"^\$var wire 1 (\S+) (\S+) \$end$", head, re.MULTILINE))
    assert len(set(names.values())) == len(names) == head.count("$var")
    found: dict[str, list[tuple[int, str]]] = defaultdict(list)
    now = -1
    for word in body.split():
        if word.startswith("#"):
            assert int(word[1:]) > now
            now = int(word[1:])
        else:
            found[names[word[1:]]].append((now, word[0]))
    return found


def test_a_replay_is_dumped_under_the_names_of_the_machine(tmp_path: Path) -> None:
    folder = shutil.copytree(SMALL, tmp_path / "cart", ignore=shutil.ignore_patterns("build"))
    dump = tmp_path / "pins.vcd"
    words = ["--recipe", "Dock Sour", "--serving", "sample", "--rig", f"avr?vcd={dump}"]
    assert main(["replay", str(folder), *words]) == 0
    found = changes(dump)
    assert set(found) == {*"ABCDEFGH", "stirrer", "ready_lamp", "glass", "guard", "stop", "start", "carry_on"}

    compiled = lower(load(folder))
    (recipe,) = (r for r in compiled.recipes.recipes if r.name == "Dock Sour")
    planned = plan(compiled, recipe, 0)
    first = min(edge.tick for edge in planned.edges)
    lines = {name: [change for change in its if change[1] in "01"] for name, its in found.items()}
    begun = min(time for name in "ABCDEFGH" for time, level in lines[name] if level == "1")
    for output, described in enumerate(compiled.machine.outputs):
        if not described.pin:
            continue
        (_, *its) = lines[described.name.replace(" ", "_")]  # the first: driven off at the start
        wanted = [(edge.tick, edge.on) for edge in planned.edges if edge.output == output]
        assert [level == "1" for _, level in its] == [on == described.pin.active_high for _, on in wanted]
        for (time, _), (tick, _) in zip(its, wanted, strict=True):
            assert abs(time - begun - (tick - first) * TICK) <= 8 * CYCLE


def test_a_dump_takes_the_place_of_nothing_but_a_dump(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = shutil.copytree(SMALL, tmp_path / "cart", ignore=shutil.ignore_patterns("build"))
    dump = tmp_path / "pins.vcd"
    command = ["load", str(folder), "--rig", f"avr?vcd={dump}", "--dry-run"]
    for there in (b"the shopping list", b"$timescale 1 ns $end\n", b"$"):
        dump.write_bytes(there)
        assert main(command) == 3
        assert f"{dump}: it is there and no dump of pins" in capsys.readouterr().err.replace("\n", " ")
        assert dump.read_bytes() == there
    dump.write_bytes(b"")
    for _ in "once", "and over that":
        assert main(command) == 0
        assert "glass" in changes(dump)


@pytest.mark.parametrize(
    ("names", "in_the_dump"),
    [
        (["A", "ready lamp", "go", "go", "über"], ["A", "ready_lamp", "go_3", "go_4", "_ber"]),
        (["go", "go", "go_2"], ["go_1", "go_3", "go_2"]),
        (["go_1", "go", "go"], ["go_1", "go_2", "go_3"]),
        (["a b", "a-b", "a_b_1"], ["a_b_2", "a_b_3", "a_b_1"]),
        (["go", "go", "go_1", "go_1"], ["go_1", "go_2", "go_1_3", "go_1_4"]),
    ],
)
def test_names_that_a_dump_cannot_have(names: list[str], in_the_dump: list[str]) -> None:
    assert dump_names(names) == in_the_dump
