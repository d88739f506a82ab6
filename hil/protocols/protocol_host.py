"""``host://PATH``: the engine compiled for this computer; PATH is a built rig or a project folder."""

from __future__ import annotations

from pathlib import Path

from dosewright.hil.protocols.simulated_port import SimulatedPort
from dosewright.hil.trouble import RigTrouble


class Serial(SimulatedPort):
    """pyserial looks for a class of this name."""

    def start_command(self, url: str) -> list[str]:
        if self.settings.vcd:
            raise RigTrouble(f"{self.portstr}: only a simulated board dumps its pins; use --rig avr?vcd=FILE")
        store = ["--store", str(self.settings.store)] if self.settings.store else []
        return [str(_program(url, Path(url.partition("://")[2])).absolute()), *store]


def _program(url: str, path: Path) -> Path:
    """The rig at this path, built first where it is a project folder."""
    if path.is_file():
        return path
    if not path.is_dir():
        raise RigTrouble(f"{url}: there is no {path}; give a project folder or a built rig behind host://")
    from dosewright.gen.firmware import build_rig
    from dosewright.gen.load import load
    from dosewright.gen.lower import lower

    return build_rig(lower(load(path)), "host", path / "build" / "host")
