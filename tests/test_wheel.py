"""The built wheel, installed apart, has everything: a package left out is missing from it only."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]

IMPORT_ALL = """
import importlib, pkgutil
import dosewright.gen, dosewright.hil, dosewright.targets, dosewright.templates
names = []
for package in (dosewright.gen, dosewright.hil):
    assert "/apart/" in package.__file__, package.__file__
    for found in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        importlib.import_module(found.name)
        names.append(found.name)
print(*names)
"""


def _packages(folder: str) -> set[str]:
    """Modules of a top-level folder as the repository has them."""
    found = set()
    for path in (ROOT / folder).rglob("*.py"):
        parts = path.relative_to(ROOT).with_suffix("").parts
        if parts[-1] == "__init__":
            parts = parts[:-1]
        found.add("dosewright." + ".".join(parts))
    return found


def test_the_wheel_holds_every_module_and_every_file_of_the_targets(tmp_path: Path) -> None:
    pip = [sys.executable, "-m", "pip", "-q", "--disable-pip-version-check"]
    copy = tmp_path / "source"
    tracked = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard"], cwd=ROOT, capture_output=True, text=True
    )
    names = tracked.stdout.splitlines() if tracked.returncode == 0 else []
    assert names, "the test builds from a git checkout"
    for name in names:
        if (ROOT / name).is_file():
            (copy / name).parent.mkdir(parents=True, exist_ok=True)
            (copy / name).write_bytes((ROOT / name).read_bytes())
    subprocess.run([*pip, "wheel", "--no-deps", "-w", tmp_path, copy], check=True)
    (wheel,) = tmp_path.glob("*.whl")
    apart = tmp_path / "apart"
    subprocess.run([*pip, "install", "--no-deps", "--target", apart, wheel], check=True)
    environment = {**os.environ, "PYTHONPATH": str(apart)}  # stands before this environment's own packages
    done = subprocess.run([sys.executable, "-c", IMPORT_ALL], env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    tops = {f"dosewright.{folder}" for folder in ("gen", "hil")}
    assert set(done.stdout.split()) | tops == _packages("gen") | _packages("hil")
    site = apart / "dosewright" / "targets"
    shipped = {p.relative_to(site).as_posix() for p in site.rglob("*") if p.suffix != ".pyc" and p.is_file()}
    wanted = {
        name.removeprefix("targets/")
        for name in names
        if name.startswith("targets/") and (ROOT / name).is_file()
    }
    assert shipped == wanted
    assert {p.name for p in (apart / "dosewright" / "templates").rglob("*.j2")} == {
        Path(name).name for name in names if name.startswith("templates/") and name.endswith(".j2")
    }
