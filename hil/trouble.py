"""Trouble with the rig or the link, told in plain words; ends a verb with exit code 3."""

from __future__ import annotations

from pathlib import Path

from dosewright.gen.problems import Exit, UserError


class RigTrouble(UserError):  # noqa: N818 - the word users know
    """The controller cannot be reached, does not answer, or answers what makes no sense."""

    def __init__(self, message: str) -> None:
        super().__init__(message, exit_code=Exit.RIG)


class RigCrashed(RigTrouble):
    """A simulated controller ended by itself: a finding about its program, not about the bench."""


def flash_command(name: str, folder: Path | None) -> str:
    """The command that puts firmware onto the controller that the harness calls so.

    ``folder`` is the project's, None where nobody said which it is.
    """
    port = "PORT (on the computer that the board is plugged into)" if "://" in name else name
    project = "FOLDER" if folder is None else f'"{folder}"' if " " in str(folder) else str(folder)
    return f"dosewright flash {project} --rig {port}"
