"""Output files: whole or not at all, only where changed, and the reason said."""

import json
from pathlib import Path

import pytest

from dosewright.gen import output
from dosewright.gen.problems import UserError

INPUTS = {"machine.toml": b"a", "recipes.toml": b"b"}
OUTPUTS = {"machine.h": b"one\n", "table.bin": b"\x00\x01"}


def write(folder: Path, inputs: dict[str, bytes], outputs: dict[str, bytes]) -> list[output.Change]:
    changes, pending = output.compare(folder, inputs, outputs)
    output.replace_all(folder, pending)
    return changes


def _why(changes: list[output.Change]) -> dict[str, str]:
    return {c.name: c.why for c in changes if c.written}


def test_first_build_writes_all_and_a_second_nothing(tmp_path: Path) -> None:
    assert _why(write(tmp_path, INPUTS, OUTPUTS)) == {"machine.h": "new", "table.bin": "new"}
    times = {p: p.stat().st_mtime_ns for p in tmp_path.iterdir()}
    assert _why(write(tmp_path, INPUTS, OUTPUTS)) == {}
    assert {p: p.stat().st_mtime_ns for p in tmp_path.iterdir()} == times


def test_the_reason_names_the_input_that_changed(tmp_path: Path) -> None:
    write(tmp_path, INPUTS, OUTPUTS)
    later = write(tmp_path, INPUTS | {"recipes.toml": b"c"}, OUTPUTS | {"table.bin": b"\x02"})
    assert _why(later) == {"table.bin": "changed: recipes.toml"}


def test_a_file_edited_by_hand_is_restored_and_said(tmp_path: Path) -> None:
    write(tmp_path, INPUTS, OUTPUTS)
    (tmp_path / "machine.h").write_bytes(b"mine")
    assert _why(write(tmp_path, INPUTS, OUTPUTS)) == {"machine.h": "it was edited by hand or damaged"}


def test_a_broken_manifest_is_no_obstacle(tmp_path: Path) -> None:
    write(tmp_path, INPUTS, OUTPUTS)
    for junk in (b"[]", b"{", b"\xff", b'{"outputs": 3, "inputs": 4}'):
        (tmp_path / output.MANIFEST).write_bytes(junk)
        write(tmp_path, INPUTS, OUTPUTS)
        assert set(json.loads((tmp_path / output.MANIFEST).read_bytes())["outputs"]) == set(OUTPUTS)


def test_nothing_is_replaced_when_one_file_cannot_be_staged(tmp_path: Path) -> None:
    write(tmp_path, INPUTS, OUTPUTS)
    (tmp_path / "blocked").write_bytes(b"a file where a folder is needed")
    with pytest.raises(UserError, match="cannot be written"):
        output.replace_all(tmp_path, {"machine.h": b"two\n", "blocked/inner.h": b"x"})
    assert (tmp_path / "machine.h").read_bytes() == b"one\n"
    assert [p.name for p in tmp_path.iterdir() if p.name.endswith(".part")] == []
