"""Programs from C sources: the firmware of a target, by the build recipe in its ``target.toml``."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Collection
from dataclasses import asdict
from pathlib import Path, PurePosixPath

from dosewright.gen.budget import measure, read_frames
from dosewright.gen.emit import machine_h, table_h
from dosewright.gen.lower import Compiled
from dosewright.gen.output import replace_all
from dosewright.gen.problems import Exit, UserError
from dosewright.gen.targets import BuildRecipe, Target, folder_of_targets, read

FLAGS = "flags.txt"  # what the compiler is told each time, in a file that it reads itself


def compiler_of(recipe: BuildRecipe) -> str | None:
    """The first of the recipe's compilers that is installed."""
    return next((found for name in recipe.compilers if (found := shutil.which(name))), None)


def sources(compiled: Compiled, target: Target) -> dict[str, bytes]:
    """Everything that the program is compiled from, by path, with ``compile.txt``: the commands to do it.

    Raises UserError where the target has no firmware.
    """
    recipe = _recipe(target)
    root = folder_of_targets()
    paths = {path for pattern in recipe.sources for path in root.glob(pattern)}
    paths |= {path for include in recipe.includes for path in (root / include).glob("*.h")}
    files = {path.relative_to(root).as_posix(): path.read_bytes() for path in paths}
    files |= {"machine.h": machine_h(compiled.machine).encode(), "table.h": table_h(compiled).encode()}
    flags = [*recipe.flags, "-I.", *(f"-I{include}" for include in recipe.includes)]
    texts = {
        FLAGS: flags,
        "compile.txt": [
            f"# Makes the program for {target.title}, as dosewright build does where it finds the compiler.",
            f"# To have the compiler: {recipe.install}",
            "# Here, line by line, or all of it by: sh -e compile.txt",
            *(shlex.join(command) for command in _commands(recipe, recipe.product, files)),
        ],
    }
    files |= {name: "".join(f"{line}\n" for line in lines).encode() for name, lines in texts.items()}
    return dict(sorted(files.items()))


def _recipe(target: Target) -> BuildRecipe:
    if target.build is None:
        raise UserError(f"target {target.name}: has no firmware to build; choose one that has")
    return target.build


def _objects(files: Collection[str]) -> dict[str, str]:
    """The object of each source that is compiled."""
    return {
        name: f"{path.parent.name}_{path.stem}.o"
        for name in sorted(files)
        if (path := PurePosixPath(name)).suffix != ".h" and path.parent.name
    }


def _commands(recipe: BuildRecipe, product: str, files: Collection[str]) -> list[list[str]]:
    """What makes the product in a folder with these files; the first word is the recipe's first compiler."""
    compiler = recipe.compilers[0]
    objects = _objects(files)
    # one by one: the linker writes the names of objects into the product
    commands = [[compiler, f"@{FLAGS}", "-c", "-o", made, source] for source, made in objects.items()]
    commands.append([compiler, f"@{FLAGS}", "-o", product, *objects.values()])
    return commands + [[word.replace("{product}", product) for word in command] for command in recipe.after]


def compile_program(compiled: Compiled, target: Target) -> dict[str, bytes]:
    """The products of engine, port, machine and table by name, made aside: nothing is left on disk.

    Raises UserError when no compiler is installed, with the compiler's words when it refuses, and where the
    program is over the target's limits.
    """
    recipe = _recipe(target)
    compiler = compiler_of(recipe)
    if compiler is None:
        raise UserError(
            f"target {target.name}: found no C compiler, looked for {', '.join(recipe.compilers)}; "
            f"install one: {recipe.install}. check, plan and build --no-firmware work without",
            exit_code=Exit.RIG,
        )
    files = sources(compiled, target)
    with tempfile.TemporaryDirectory(prefix="dosewright-") as name:
        work = Path(name)
        replace_all(work, files)
        for first, *rest in _commands(recipe, _product(target), files):
            _run([compiler if first == recipe.compilers[0] else first, *rest], work)
        budget = _budget(work, _product(target), compiler, target)
        passing = {*files, *_objects(files).values()}
        return {
            path.name: path.read_bytes()
            for path in sorted(work.iterdir())
            if path.is_file() and path.name not in passing and path.suffix != ".su"
        } | budget


def _product(target: Target) -> str:
    return _recipe(target).product + (".exe" if sys.platform == "win32" and target.is_host else "")


def build_program(compiled: Compiled, target: Target, folder: Path) -> dict[str, Path]:
    """The products of ``compile_program``, moved into ``folder`` when all are complete; by name."""
    made = compile_program(compiled, target)
    replace_all(folder, made)
    if target.is_host:
        (folder / _product(target)).chmod(0o755)
    return {name: folder / name for name in made}


def _budget(work: Path, product: str, compiler: str, target: Target) -> dict[str, bytes]:
    """``budget.json`` of a target with limits. Raises UserError when the program is over them."""
    if target.limits is None:
        return {}
    tools = Path(compiler).name.removesuffix(".exe").removesuffix("gcc")
    found = measure(work / product, read_frames(sorted(work.glob("*.su"))), tools)
    if over := found.over(target.limits):
        raise UserError(f"target {target.name}: the firmware does not fit; " + "; ".join(over))
    return {"budget.json": (json.dumps(asdict(found), indent=1) + "\n").encode()}


def build_rig(compiled: Compiled, target_name: str, folder: Path) -> Path:
    """The program of a simulated rig for this machine, as ``build_program`` makes it."""
    target = read(target_name)
    return build_program(compiled, target, folder)[_product(target)]


def _run(command: list[str], folder: Path) -> None:
    try:
        done = subprocess.run(
            command,
            cwd=folder,
            env={**os.environ, "TMPDIR": str(folder)},  # a linker that optimises leaves frame sizes there
            capture_output=True,
            text=True,
            errors="replace",
        )
    except OSError as error:
        raise UserError(
            f"{Path(command[0]).name}: cannot be run ({error.strerror}); install it", exit_code=Exit.RIG
        ) from error
    if done.returncode:
        words = "\n".join((done.stderr or done.stdout).splitlines()[:20])
        raise UserError(
            f"{Path(command[0]).name}: could not make the controller's program (ended with "
            f"{done.returncode}); try a newer one, or report what it said:\n{words}",
            exit_code=Exit.RIG,
        )
