"""What ``load`` does on a controller that fits: say the change, agree, write, read back; or go back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from dosewright.hil.changes import Words, between, changes
from dosewright.hil.client import Client
from dosewright.hil.messages import Held, Identity, Slot
from dosewright.hil.upload import (
    KINDS,
    Loaded,
    Progress,
    are,
    back,
    held,
    name_unit,
    put,
    read_record,
    superseded,
)


@dataclass(frozen=True, slots=True)
class Loading:
    """``say`` gets each line for the person, ``agreed`` is asked before anything is written."""

    client: Client
    identity: Identity
    words: Words
    say: Callable[[str], None]
    agreed: Callable[[], bool]
    progress: Progress

    def load(self, write: bool = True, naming: bool = False) -> dict[str, Any]:
        """Write the records that differ. ``written``: bytes sent, None where nothing was to be written.

        ``naming``: the controller is given its name afterwards, so nobody is told that it has none.
        """
        records = held(self.client, self.identity, self.words.compiled)
        told = [{"name": r.name, "bytes": len(r.now), "written": not r.same, "changes": []} for r in records]
        for record, value in zip(records, told, strict=True):
            value["changes"] = self._tell(record)
        differ = any(not record.same for record in records)
        if not write or (differ and not self.agreed()):
            self.say("nothing written")
            return {"records": [{**value, "written": False} for value in told], "written": None}
        sent = put(self.client, records, self.words.compiled, self.progress)
        written = [record for record in records if not record.same]
        ours = "is that" if [are(record.kind) for record in written] == ["is"] else "are those"
        self.say(
            f"{sent} bytes sent, the rest was there; read back: by check sum the "
            f"{' and '.join(record.name for record in written)} in force {ours} of this project"
            if differ
            else "nothing to write: by their check sums the recipes and the calibration in force are those "
            "of this project"
        )
        if self.words.compiled.calibration.unit and not self.identity.unit and not naming:
            self.say(
                "this controller has no name and takes the calibration of any unit; "
                f"--name calls it {self.words.compiled.calibration.unit}, once and for all"
            )
        return {"records": told, "written": sent}

    def back(self, name: str) -> dict[str, Any]:
        """Put in force what the last upload of these records superseded; a second time takes that back."""
        kind = next(kind for kind, its in KINDS.items() if its == name)
        there = {b"R": self.identity.recipes, b"C": self.identity.calibration}[kind]
        now = superseded(self.client, self.identity, kind)
        was = read_record(self.client, kind) if there != Held.NONE else None
        told = between(kind, was, now, self.words)
        self.say(f"back to the {name} before the last upload:")
        for line in told or ["nothing differs"]:
            self.say(f"  {line}")
        done = self.agreed()
        if done:
            back(self.client, kind, self.words.compiled)
        self.say(f"the older {name} {are(kind)} in force, until the next load" if done else "nothing written")
        record = {"name": name, "bytes": len(now), "written": done, "changes": told}
        return {"records": [record], "written": 0 if done else None}

    def name(self) -> None:
        """Give the controller the unit's name of the project."""
        unit = self.words.compiled.calibration.unit
        name_unit(self.client, self.identity, unit)
        self.say(f"this controller is called {unit}; it refuses the calibration of any other unit")

    def _tell(self, record: Loaded) -> list[str]:
        size = f"{len(record.now)} bytes to write"
        self.say(f"{record.name}: {'the same already, not written' if record.same else size}")
        slots = self.identity.slots[record.kind]
        if record.was is None and Slot.COMMITTED in slots:
            self.say("  what is stored there is damaged, or for another machine, and is not poured from")
        if Slot.OPEN in slots and not record.same:
            self.say("  an upload was cut short; it goes on where it ended")
        lines = changes(record, self.words)
        for line in lines:
            self.say(f"  {line}")
        return lines
