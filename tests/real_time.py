"""The engine in real time, as a program behind a pseudo terminal, which is POSIX only."""

from __future__ import annotations

import subprocess
from pathlib import Path


class RealTime:
    """The engine on a pseudo terminal, in real time."""

    def __init__(self, program: Path) -> None:
        self.child = subprocess.Popen(
            [str(program), "--pty"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self.child.stdout
        self.name = self.child.stdout.readline().split()[-1]

    def end(self) -> None:
        self.child.terminate()
        self.child.communicate()
