"""Programs from C sources: the firmware of a target, by the build recipe in its ``target.toml``."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

from dosewright.gen.budget import measure, read_frames
from dosewright.gen.emit import machine_h, table_h
from dosewright.gen.lower import Compiled
from dosewright.gen.output import replace_all
from dosewright.gen.problems import Exit, UserError
from dosewright.gen.targets import BuildRecipe, Target, folder_of_targets, read


def compiler_of(recipe: BuildRecipe) -> str | None:
    """The first of the recipe's compilers that is installed."""
    return next((found for name in recipe.compilers if (found := shutil.which(name))), None)


def build_program(compiled: Compiled, target: Target, folder: Path) -> dict[str, Path]:
    """Compile engine, port, machine and table into ``folder``; returns the products by name.

    Everything is built aside and moved into place when complete. Raises UserError when no compiler is
    installed, or with the compiler's words when it refuses.
    """
    recipe = target.build
    if recipe is None:
        raise UserError(f"target {target.name}: has no firmware to build; choose one that has")
    compiler = compiler_of(recipe)
    if compiler is None:
        raise UserError(
            f"target {target.name}: found no C compiler, looked for {', '.join(recipe.compilers)}; "
            f"install one: {recipe.install}. check, plan and build --no-firmware work without",
            exit_code=Exit.RIG,
        )
    root = folder_of_targets()
    sources = sorted(path for pattern in recipe.sources for path in root.glob(pattern))
    product = recipe.product + (".exe" if sys.platform == "win32" and target.is_host else "")
    headers = {"machine.h": machine_h(compiled.machine), "table.h": table_h(compiled)}
    with tempfile.TemporaryDirectory(prefix="dosewright-") as name:
        work = Path(name)
        for file, text in headers.items():
            (work / file).write_text(text, encoding="utf-8", newline="\n")
        includes = ["-I.", *(f"-I{root / include}" for include in recipe.includes)]
        objects = []
        for source in sources:  # one by one: the linker writes the names of objects into the product
            objects.append(f"{source.parent.name}_{source.stem}.o")
            _run([compiler, *recipe.flags, *includes, "-c", "-o", objects[-1], str(source)], work)
        _run([compiler, *recipe.flags, "-o", product, *objects], work)
        budget = _budget(work, product, compiler, target)
        for command in recipe.after:
            _run([word.replace("{product}", product) for word in command], work)
        made = {
            p.name: p.read_bytes()
            for p in sorted(work.iterdir())
            if p.name not in headers and p.name not in objects and p.suffix != ".su"
        } | budget
    replace_all(folder, made)
    if target.is_host:
        (folder / product).chmod(0o755)
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
    made = build_program(compiled, target, folder)
    return next(path for name, path in made.items() if name.removesuffix(".exe") == target.build.product)  # type: ignore[union-attr]


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
