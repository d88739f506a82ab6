"""Courts and rigs of the example project and of the machine with every reaction."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from dosewright.gen.firmware import build_rig
from dosewright.hil import port
from dosewright.hil.verdicts import Court
from stand import EVERY_REACTION, EXAMPLE, court_of, write_project
from tools import need
from twin_device import TwinDevice

if TYPE_CHECKING:
    from bootloader import Board, Program


@pytest.fixture(autouse=True)
def no_bootloader(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing starts up behind a pseudo terminal."""
    monkeypatch.setattr(port, "BOOT_QUIET", 0)


@pytest.fixture(scope="session")
def every_reaction(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_project(tmp_path_factory.mktemp("every") / "stand", EVERY_REACTION)


@pytest.fixture(scope="session")
def stand(every_reaction: Path) -> Court:
    return court_of(every_reaction)


@pytest.fixture(scope="session")
def court() -> Court:
    return court_of(EXAMPLE)


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Court], Path]:
    """The host rig of a project, compiled once."""
    need("cc")
    made: dict[int, Path] = {}

    def build(court: Court) -> Path:
        if id(court) not in made:
            made[id(court)] = build_rig(court.compiled, "host", tmp_path_factory.mktemp("rig"))
        return made[id(court)]

    return build


@pytest.fixture
def board() -> Iterator[Callable[..., Board]]:
    """Boards on pseudo terminals, which are POSIX only."""
    from bootloader import Board

    made: list[Board] = []

    def make(*words: Any, **named: Any) -> Board:
        made.append(Board(*words, **named))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def program(court: Court) -> Program:
    """The example's controller as the twin has it."""
    from bootloader import speaking

    return speaking(TwinDevice(court.compiled))
