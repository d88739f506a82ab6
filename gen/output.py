"""Output files: written whole or not at all, only where they changed, with a manifest of what came in."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from dosewright.gen.problems import UserError

MANIFEST = "manifest.json"


@dataclass(frozen=True, slots=True)
class Change:
    """What a build did with one output file: ``written`` is false where its bytes were already right."""

    name: str
    written: bool
    why: str


def manifest(inputs: Mapping[str, bytes], outputs: Mapping[str, bytes]) -> bytes:
    """Digests (SHA-256) of inputs and outputs and the version of the tool; no clock, host or path."""
    value = {
        "dosewright": version("dosewright"),
        "inputs": {name: hashlib.sha256(data).hexdigest() for name, data in sorted(inputs.items())},
        "outputs": {name: hashlib.sha256(data).hexdigest() for name, data in sorted(outputs.items())},
    }
    return (json.dumps(value, indent=1, ensure_ascii=False) + "\n").encode()


def compare(
    folder: Path, inputs: Mapping[str, bytes], outputs: Mapping[str, bytes]
) -> tuple[list[Change], dict[str, bytes]]:
    """One Change an output, in order; and what to write into the folder, so that it holds these outputs and
    their manifest.
    """
    new = manifest(inputs, outputs)
    old = _old_manifest(folder)
    changes = [Change(name, *_judge(folder, name, data, inputs, old)) for name, data in outputs.items()]
    pending = {c.name: outputs[c.name] for c in changes if c.written}
    if new != _read(folder / MANIFEST):
        pending[MANIFEST] = new
    return changes, pending


def replace_all(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files into a folder (made where missing): all staged first, then moved into place.

    A file that holds these bytes already is left alone. Raises UserError when the folder cannot be written.
    """
    staged: list[tuple[Path, Path]] = []
    try:
        for name, data in files.items():
            final = folder / name
            if _read(final) == data:
                continue
            final.parent.mkdir(parents=True, exist_ok=True)
            part = final.with_name(f".{final.name}.part")
            staged.append((part, final))
            part.write_bytes(data)
        for part, final in staged:
            part.replace(final)
    except OSError as error:
        raise UserError(
            f"{folder}: found that it cannot be written ({error.strerror or error}); wanted a folder with "
            "free space and write permission; choose another folder"
        ) from error
    finally:
        for part, _ in staged:
            with contextlib.suppress(OSError):
                part.unlink()


def _read(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None


def _old_manifest(folder: Path) -> dict[str, object]:
    """The manifest of the last build, empty where there is none or it is no manifest."""
    try:
        value = json.loads(_read(folder / MANIFEST) or b"{}")
    except ValueError:
        return {}
    return value if isinstance(value, dict) else {}


def _judge(
    folder: Path, name: str, data: bytes, inputs: Mapping[str, bytes], old: Mapping[str, object]
) -> tuple[bool, str]:
    present = _read(folder / name)
    if present == data:
        return False, "unchanged"
    if present is None:
        return True, "new"
    before = old.get("outputs")
    if isinstance(before, dict) and before.get(name) != hashlib.sha256(present).hexdigest():
        return True, "it was edited by hand or damaged"
    if old.get("dosewright") != version("dosewright"):
        return True, f"dosewright is now {version('dosewright')}"
    known = old.get("inputs")
    then = known if isinstance(known, dict) else {}
    changed = [n for n, d in inputs.items() if then.get(n) != hashlib.sha256(d).hexdigest()]
    changed += [f"{n} (no longer there)" for n in then if n not in inputs]
    return True, "changed: " + ", ".join(
        sorted(changed)
    ) if changed else "the installed dosewright was changed"
