"""What may stand behind the URL of a simulated rig: ``host://FOLDER?ppm=4000&store=board.bin``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dosewright.hil.trouble import RigTrouble

MOST_PPM = 100_000  # of a clock error: a tenth
SETTINGS = {
    "ppm=N": "its clock runs N millionths fast",
    "store=FILE": "what it stores is kept in this file from one run to the next",
    "vcd=FILE": "every change of its pins goes into this file, for a waveform viewer (avr only)",
}


@dataclass(frozen=True, slots=True)
class Settings:
    """``ppm``: by how many millionths the controller's clock is fast; None where the URL does not say.

    ``store``: the file that holds the controller's store between runs. It is read at the start if there,
    and written anew, whole or not at all, when the port is closed. ``vcd``: the file into which every change
    of pins and switches goes, as a value change dump; what is there is replaced only if it is such a dump.
    """

    ppm: float | None = None
    store: Path | None = None
    vcd: Path | None = None


def split(url: str) -> tuple[str, Settings]:
    """The URL without what stands behind its last question mark, and that. Raises RigTrouble.

    A question mark may also be in the name of the folder.
    """
    bare, mark, settings = url.rpartition("?")
    if not mark or Path(url.partition("://")[2]).exists():
        return url, Settings()
    values: dict[str, Any] = {}
    for item in settings.split("&"):
        key, equals, text = item.partition("=")
        read = _READ.get(key)
        if read is None or not equals or key in values:
            raise RigTrouble(
                f"{url}: found {item or 'nothing'}; wanted each of {', '.join(_READ)} once at most, "
                "as KEY=VALUE"
            )
        values[key] = read(url, key, text)
    return bare, Settings(**values)


def _clock_error(url: str, key: str, text: str) -> float:
    try:
        ppm = float(text)
    except ValueError:
        ppm = float("nan")
    if not abs(ppm) <= MOST_PPM:
        raise RigTrouble(
            f"{url}: found {key}={text}; wanted a clock error of -{MOST_PPM} to {MOST_PPM} millionths"
        )
    return ppm


def _file(url: str, key: str, text: str) -> Path:
    path = Path(text).absolute()
    if not text or path.is_dir() or not path.parent.is_dir():
        raise RigTrouble(f"{url}: found {key}={text}; wanted a file in a folder that exists")
    return path


_READ = {"ppm": _clock_error, "store": _file, "vcd": _file}
