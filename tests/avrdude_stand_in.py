"""A stand-in for avrdude: notes how it is called, and says what avrdude 7.1 said in the same case."""

from __future__ import annotations

import json
import sys
from pathlib import Path

NOT_IN_SYNC = """avrdude error: programmer is not responding
avrdude warning: attempt 2 of 2: not in sync: resp=0x00
avrdude error: unable to open programmer arduino on port PORT
"""
TIMEOUT = """avrdude error: timeout communicating with programmer
avrdude error: unable to open programmer wiring on port PORT
"""
OTHER_CHIP = """avrdude: AVR device initialized and ready to accept instructions
avrdude: device signature = 0x1e9801 (probably m2560)
avrdude error: expected signature for ATmega328P is 1E 95 0F
        double check chip or use -F to override this check
"""
TAKEN = "avrdude OS error: cannot open port PORT: Device or resource busy\n"
WRITTEN = """avrdude: writing 20 bytes flash ...

Writing | ################################################## | 100% 0.30 s

avrdude: 20 bytes of flash verified
"""

Said = dict[str, tuple[str, int]]  # protocol and speed -> words and exit code
NEW, OLD, MEGA = "arduino 115200", "arduino 57600", "wiring 115200"

STAND_IN = """#!{python}
import json, sys
from pathlib import Path
said = json.loads(Path({said!r}).read_text())
with Path({log!r}).open("a") as log:
    log.write(json.dumps(sys.argv[1:]) + "\\n")
what = "write" if "-U" in sys.argv else "probe"
which = sys.argv[sys.argv.index("-c") + 1] + " " + sys.argv[sys.argv.index("-b") + 1]
words, code = said[what][which]
print(words.replace("PORT", sys.argv[sys.argv.index("-P") + 1]), end="", file=sys.stderr)
sys.exit(code)
"""


class StandIn:
    """What the stand-in is to say, by what it is asked and the speed, and how it was called."""

    def __init__(self, folder: Path) -> None:
        self._said, self._log = folder / "said.json", folder / "log"
        script = folder / "bin" / "avrdude"
        script.parent.mkdir()
        script.write_text(STAND_IN.format(python=sys.executable, said=str(self._said), log=str(self._log)))
        script.chmod(0o755)

    def says(self, probe: Said, write: Said | None = None) -> None:
        self._said.write_text(json.dumps({"probe": probe, "write": write or {}}))

    @property
    def calls(self) -> list[list[str]]:
        return [json.loads(line) for line in self._log.read_text().splitlines()] if self._log.exists() else []

    @property
    def has_written(self) -> bool:
        return any("-U" in call for call in self.calls)
