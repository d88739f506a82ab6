"""``host://PATH``: the engine compiled for this computer; PATH is a built rig or a project folder."""

from __future__ import annotations

from pathlib import Path

from dosewright.hil.protocols.simulated_port import SimulatedPort
from dosewright.hil.trouble import RigTrouble


class Serial(SimulatedPort):
    """pyserial looks for a class of this name."""

    def start_command(self, url: str) -> list[str]:
        path = Path(url.partition("://")[2])
        if path.is_file():
            return [str(path.absolute())]
        if not path.is_dir():
            raise RigTrouble(
                f"{url}: there is no {path}; give a project folder or a built rig behind host://"
            )
        from dosewright.gen.firmware import build_rig
        from dosewright.gen.load import load
        from dosewright.gen.lower import lower

        return [str(build_rig(lower(load(path)), "host", path / "build" / "host").absolute())]
