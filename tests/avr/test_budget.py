"""What a program takes, as reckoned: against programs so small that it can be told by hand."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from dosewright.gen.budget import Budget, measure
from dosewright.gen.problems import UserError
from dosewright.gen.targets import Limits

NESTED = """
.macro function name
.global \\name
.type \\name, @function
\\name:
.endm
function leaf
    push r16
    pop r16
    ret
function helper
    rcall leaf
    ret
function dw_tick
    rcall leaf
    ret
function __vector_1
    rcall helper
    reti
function __vector_2
    rcall dw_tick
    reti
function main
    rcall helper
    rcall dw_tick
    ret
"""
FRAMES = {"main": 100, "__vector_1": 1000, "__vector_2": 10_000, "helper": 5, "dw_tick": 70}


@pytest.mark.parametrize(("chip", "address"), [("atmega328p", 2), ("atmega2560", 3)])
def test_every_handler_is_counted_twice_and_the_tick_once(
    chip: str, address: int, tmp_path: Path, compile_avr: Callable[..., Path]
) -> None:
    """Reckoned by hand; a return address as in the instruction set manual: 16 bits, 22 above 128 KiB."""
    source = tmp_path / "nested.S"
    source.write_text(NESTED)
    leaf = address + 1  # no size is given of it: its return address and what it pushes
    main, one, two = 100 + 5 + leaf, 1000 + 5 + leaf, 10_000
    tick = max(70 + leaf - 5 - leaf, 70 + leaf)  # in main it stands in helper's place, in a handler on top
    found = measure(compile_avr(source, chip=chip), FRAMES)
    assert found.stack == main + 2 * one + 2 * two + tick
    assert found.chain == ("main", "dw_tick", "leaf")


@pytest.mark.parametrize("chip", ["atmega328p", "atmega2560"])
@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("int f(int n) { return n ? f(n - 1) * v : v; } int main(void) { return f(v); }", "calls itself"),
        ("int (*volatile p)(void); int main(void) { return p(); }", "main: calls through a pointer"),
        ("int (*volatile p)(void); int main(void) { return p() + v; }", "main: calls through a pointer"),
    ],
    ids=["recursion", "jump", "call"],
)
def test_a_stack_without_bound_is_refused(
    compile_avr: Callable[..., Path], tmp_path: Path, text: str, words: str, chip: str
) -> None:
    source = tmp_path / "program.c"
    source.write_text(f"volatile int v; {text}\n")
    with pytest.raises(UserError, match=words):
        measure(compile_avr(source, flags=("-fno-inline",), chip=chip), {})


def test_what_is_over_the_limits_is_said() -> None:
    over = Budget(flash=200, static=50, stack=60, chain=("main",)).over(Limits(flash=100, ram=100))
    assert over[0] == "flash: needs 200 bytes, there are 100"
    assert over[1] == "memory: needs 110 bytes (50 static, 60 at most on the stack), there are 100"
    assert Budget(flash=100, static=50, stack=50, chain=()).over(Limits(flash=100, ram=100)) == []
