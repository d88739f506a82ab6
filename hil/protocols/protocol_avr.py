"""``avr://FOLDER``: the firmware of a project on a simulated board; it is built first."""

from __future__ import annotations

from pathlib import Path

from dosewright.hil.protocols.simulated_port import SimulatedPort
from dosewright.hil.trouble import RigTrouble


class Serial(SimulatedPort):
    """pyserial looks for a class of this name."""

    def start_command(self, url: str) -> list[str]:
        path = Path(url.partition("://")[2])
        if not path.is_dir():
            raise RigTrouble(f"{url}: there is no folder {path}; give a project folder behind avr://")
        from dosewright.gen.load import load
        from dosewright.gen.lower import lower
        from dosewright.hil.avrboard.project import board_command

        project = load(path)
        made = path / "build" / project.target.name
        wanted = {"ppm": self.settings.ppm, "store": self.settings.store, "vcd": self.settings.vcd}
        words = [f"{key}={value}" for key, value in wanted.items() if value is not None]
        return [*board_command(lower(project), project.target, made), *words]
