"""What a firmware takes of a small controller: flash, static memory, and the deepest stack.

The stack is found from the compiler's frame sizes (``-fstack-usage``) and from the calls in the disassembly.
Every interrupt handler may come on top of the main program and of every other handler, and once more while
the engine decides a tick with interrupts on; the engine decides in one of these places at a time. A call
through a pointer and a recursion have no bound that could be found, and are refused.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from dosewright.gen.problems import UserError
from dosewright.gen.targets import Limits

MAIN = "main"
HANDLER = re.compile(r"__vector_\d+")
ONCE = "dw_tick"  # never at work twice at a time
JUMP_TABLE = frozenset({"__tablejump2__", "__tablejump__"})  # of a switch: ends in the function that uses it
SHARED = frozenset({"__prologue_saves__", "__epilogue_restores__"})  # parts of functions, within their frames
POINTER = re.compile(r"\te?(icall|ijmp)\b")
RETURN_ADDRESS = 2  # bytes, where the compiler gives no size
WIDE_RETURN_ADDRESS = 3  # on chips of more than 128 KiB of flash, which are of this architecture:
WIDE = re.compile(r"^architecture: avr:6\b", re.MULTILINE)

_FUNCTION = re.compile(r"^[0-9a-f]+ <([^>]+)>:$")
_CALL = re.compile(r"\t(r?call|r?jmp)\t.*<([^>+]+)(\+0x[0-9a-f]+)?>")
_PUSH = re.compile(r"\tpush\t")
_NUMBERED = re.compile(r"(\.lto_priv)?\.\d+$")  # what the linker adds to a name


@dataclass(frozen=True, slots=True)
class Budget:
    """Bytes. ``chain``: the calls of the main program's deepest stack."""

    flash: int
    static: int
    stack: int
    chain: tuple[str, ...]

    @property
    def ram(self) -> int:
        return self.static + self.stack

    def over(self, limits: Limits) -> list[str]:
        """What is too much, in words."""
        found = []
        if self.flash > limits.flash:
            found.append(f"flash: needs {self.flash} bytes, there are {limits.flash}")
        if self.ram > limits.ram:
            found.append(
                f"memory: needs {self.ram} bytes ({self.static} static, {self.stack} at most on the stack), "
                f"there are {limits.ram}"
            )
        return found


@dataclass
class _Function:
    frame: int = RETURN_ADDRESS
    calls: set[str] = field(default_factory=set)


def measure(elf: Path, frames: Mapping[str, int], tools: str = "avr-") -> Budget:
    """The budget of a linked program. ``frames``: bytes of stack by function, as ``read_frames`` gives them.

    Raises UserError where the stack has no bound.
    """
    sections = dict(re.findall(r"^(\.\S+)\s+(\d+)", _output(f"{tools}size", "-A", str(elf)), re.MULTILINE))
    sizes = {name: int(size) for name, size in sections.items()}
    functions = _functions(_output(f"{tools}objdump", "-fd", str(elf)), frames)
    roots = [MAIN, *2 * [name for name in functions if HANDLER.fullmatch(name)]]
    without = {root: _depth(functions, root, leave_out=ONCE) for root in roots}
    whole = {root: _depth(functions, root) for root in roots}
    stack = sum(without[root][0] for root in roots)
    stack += max(whole[root][0] - without[root][0] for root in roots)
    return Budget(
        flash=sizes.get(".text", 0) + sizes.get(".data", 0),
        static=sum(sizes.get(name, 0) for name in (".data", ".bss", ".noinit")),
        stack=stack,
        chain=whole[MAIN][1],
    )


def read_frames(files: Iterable[Path]) -> dict[str, int]:
    """Bytes of stack by function from the compiler's ``.su`` files; of like names the largest."""
    frames: dict[str, int] = {}
    for file in files:
        for line in file.read_text(encoding="utf-8").splitlines():
            place, size, kind = line.split("\t")
            name = place.rpartition(":")[2]
            if "dynamic" in kind:
                raise UserError(f"{name}: its stack grows with what it is given, so it has no bound")
            frames[name] = max(frames.get(name, 0), int(size))
    return frames


def _functions(disassembly: str, frames: Mapping[str, int]) -> dict[str, _Function]:
    functions: dict[str, _Function] = {}
    least = WIDE_RETURN_ADDRESS if WIDE.search(disassembly) else RETURN_ADDRESS
    name = plain = ""
    for line in disassembly.splitlines():
        if found := _FUNCTION.match(line):
            name = found[1]
            plain = _NUMBERED.sub("", name)
            functions[name] = _Function(frames.get(plain, least))
        elif name in SHARED:
            continue
        elif name and (called := _CALL.search(line)):
            if called[2] in SHARED or (HANDLER.fullmatch(name) and HANDLER.fullmatch(called[2])):
                continue  # a handler that goes over into another has given back its stack, and is that one
            if called[2] != name:  # a jump or an allocation within the function otherwise
                functions[name].calls.add(called[2])
            elif called[1].endswith("call") and not called[3]:
                raise UserError(f"{name}: calls itself, so its stack has no bound")
        elif POINTER.search(line) and name not in JUMP_TABLE:
            raise UserError(f"{name}: calls through a pointer, so the deepest stack cannot be found")
        elif name and plain not in frames and _PUSH.search(line):
            functions[name].frame += 1
    return functions


def _depth(functions: Mapping[str, _Function], root: str, leave_out: str = "") -> tuple[int, tuple[str, ...]]:
    """Bytes of the deepest stack below a function, and the calls that lead there."""
    known: dict[str, tuple[int, tuple[str, ...]]] = {}

    def depth(name: str, path: tuple[str, ...]) -> tuple[int, tuple[str, ...]]:
        if name in path:
            raise UserError(f"{' -> '.join([*path, name])}: calls itself, so its stack has no bound")
        if name not in known:
            function = functions.get(name, _Function())
            below = [depth(called, (*path, name)) for called in sorted(function.calls) if called != leave_out]
            deepest = max(below, key=lambda found: found[0], default=(0, ()))
            known[name] = (function.frame + deepest[0], (_NUMBERED.sub("", name), *deepest[1]))
        return known[name]

    return depth(root, ())


def _output(*command: str) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout
