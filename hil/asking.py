"""The one question before something is written to a controller."""

from __future__ import annotations

import sys


def agreed(sure: bool) -> bool:
    """Whether to write. Nobody is asked who is ``sure``, or cannot answer: where there is no terminal.

    The end of the input is no.
    """
    if sure or not sys.stdin.isatty():
        return True
    try:
        return input("Write this? [y/N] ").strip().lower() in ("y", "yes")
    except EOFError:
        print(file=sys.stderr)
        return False
