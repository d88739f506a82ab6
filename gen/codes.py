"""The codes of ``targets/engine/RULES.md``: what the trace tells, how the engine stands, and why."""

from __future__ import annotations

from enum import IntEnum


class Code(IntEnum):
    """What an entry of the trace tells, in the order in which entries of one tick stand."""

    POUR = 1
    GO_ON = 2
    INPUT = 3
    PAUSE = 4
    ABORT = 5
    OFF = 6
    ON = 7
    DONE = 8


class State(IntEnum):
    """What the engine is doing."""

    IDLE = 0
    POURING = 1
    PAUSED = 2
    JOGGING = 3


class Result(IntEnum):
    """How the last pour ended."""

    NONE = 0
    DONE = 1
    ABORTED = 2


class Reason(IntEnum):
    """Why a request was refused or a pour ended."""

    NONE = 0
    STOP = 1
    INTERLOCK = 2
    MAX_ON = 3
    POUR_LIMIT = 4
    PAUSE_LIMIT = 5
    BUSY = 6
    NO_RECIPES = 7
    NO_CALIBRATION = 8
    UNKNOWN_RECIPE = 9
    UNKNOWN_SERVING = 10
    VESSEL_TOO_SMALL = 11
    NOT_CALIBRATED = 12
    DOSE_TOO_SMALL = 13
    DOSE_TOO_LONG = 14
    VESSEL_NOT_CHANGED = 15
    NOTHING_TO_GO_ON_WITH = 16
    NO_SUCH_OUTPUT = 17
    UNKNOWN_REQUEST = 18
    BAD_LENGTH = 19
    WRONG_INTERFACE = 20
    WRONG_UNIT = 21
    OUT_OF_RANGE = 22
    BAD_RECORD = 23
    STORE_FAILED = 24
    LINK_LOST = 25
    RESET = 26
