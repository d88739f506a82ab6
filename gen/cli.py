"""The ``dosewright`` command: a table of verbs; only the one that runs is imported."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from typing import Protocol, cast

from dosewright.gen.problems import Exit, UserError

# verb -> (module, one line of help). Modules of hil are only named here, so nothing of gen imports them.
VERBS = {
    "new": ("dosewright.gen.verbs.new", "write a commented project to start from"),
    "check": ("dosewright.gen.verbs.check", "find every mistake in a project and show its defaults"),
    "plan": ("dosewright.gen.verbs.plan", "show when each output switches in a pour"),
    "build": ("dosewright.gen.verbs.build", "write headers, table and plan; compile firmware"),
    "flash": ("dosewright.hil.verbs.flash", "put the firmware onto a controller"),
    "load": ("dosewright.hil.verbs.load", "put recipes and calibration onto a controller"),
    "replay": ("dosewright.hil.verbs.replay", "pour every recipe on a rig and judge every edge"),
    "wiring": ("dosewright.hil.verbs.wiring", "find swapped or wrong wires; print a wiring sheet"),
    "ports": ("dosewright.hil.verbs.ports", "list serial ports and simulated rigs"),
    "schema": ("dosewright.gen.verbs.schema", "print the JSON Schema of an input file"),
}


class Verb(Protocol):
    """What a verb's module offers."""

    DESCRIPTION: str
    EXAMPLE: str

    def add_arguments(self, parser: argparse.ArgumentParser) -> None: ...

    def run(self, arguments: argparse.Namespace) -> int: ...


def _overview() -> str:
    lines = [
        "usage: dosewright VERB ...",
        "",
        "Recipes and calibrations of a dispensing machine, compiled into firmware",
    ]
    lines += ["data and proven pour by pour.", "", "verbs:"]
    lines += [f"  {name:<8} {text}" for name, (_, text) in VERBS.items()]
    lines += ["", "dosewright VERB --help explains one, with an example. Begin with: dosewright new my-cart"]
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb; returns its exit code, one of ``Exit``."""
    try:
        try:
            return _run(list(sys.argv[1:] if argv is None else argv))
        finally:
            sys.stdout.flush()  # a reader that has gone is noticed here and not when the interpreter ends
    except UserError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        print("dosewright: interrupted", file=sys.stderr)
        return Exit.INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # what is still buffered goes nowhere
        return Exit.DONE


def _run(words: list[str]) -> int:
    if not words or words[0] in ("-h", "--help", "help"):
        print(_overview())
        return Exit.DONE if words else Exit.USAGE
    if words[0] == "--version":
        from importlib.metadata import version

        print(f"dosewright {version('dosewright')}")
        return Exit.DONE
    if words[0] not in VERBS:
        import difflib

        near = difflib.get_close_matches(words[0], VERBS, 1)
        hint = f"did you mean {near[0]!r}? " if near else ""
        print(f"dosewright: no verb {words[0]!r}; {hint}there is {', '.join(VERBS)}", file=sys.stderr)
        return Exit.USAGE
    module = cast(Verb, importlib.import_module(VERBS[words[0]][0]))
    parser = argparse.ArgumentParser(
        prog=f"dosewright {words[0]}",
        description=module.DESCRIPTION,
        epilog=f"example:\n  {module.EXAMPLE}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    module.add_arguments(parser)
    return module.run(parser.parse_args(words[1:]))


if __name__ == "__main__":
    sys.exit(main())
