"""The bridge to libsimavr, compiled once for each version of its sources and kept in the user's cache."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from dosewright.hil.trouble import RigTrouble

INSTALL = "apt-get install gcc gcc-avr avr-libc libsimavr-dev libelf-dev"

_COMPILERS = ("cc", "gcc", "clang")
_FLAGS = ("-std=c11", "-D_GNU_SOURCE", "-O2", "-Wall", "-Wextra", "-Wpedantic")
_LIBRARIES = ("-lsimavr", "-lelf", "-lm")


def build_bridge(cache: Path | None = None) -> Path:
    """Path of the compiled bridge. Raises RigTrouble, with what to install, where it cannot be compiled."""
    folder = Path(__file__).parent
    sources = sorted(folder.glob("*.c"))
    digest = hashlib.sha256()
    for source in [*sources, *sorted(folder.glob("*.h"))]:
        digest.update(source.read_bytes())
    place = (cache or _user_cache()) / "avrboard"
    program = place / f"bridge-{digest.hexdigest()[:16]}"
    if program.is_file():
        return program
    compiler = next((found for name in _COMPILERS if (found := shutil.which(name))), None)
    if compiler is None:
        raise RigTrouble(f"the simulated board needs a C compiler and found none; install: {INSTALL}")
    place.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=place) as work:
        made = Path(work) / "bridge"
        command = [compiler, *_FLAGS, "-o", str(made), *map(str, sources), *_LIBRARIES]
        done = subprocess.run(command, capture_output=True, text=True, errors="replace")
        if done.returncode:
            said = next(
                (line for line in done.stderr.splitlines() if "error" in line or "cannot find" in line), ""
            )
            raise RigTrouble(f"the simulated board cannot be compiled ({said.strip()}); install: {INSTALL}")
        made.replace(program)
    return program


def _user_cache() -> Path:
    """Where this system keeps what can be made again."""
    named = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(named) if named else Path.home() / ".cache") / "dosewright"
