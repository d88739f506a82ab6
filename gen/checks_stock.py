"""Checks of loaded.toml and calibration.toml against the machine."""

from __future__ import annotations

from dosewright.gen import units
from dosewright.gen.models.calibration import CalibrationFile
from dosewright.gen.models.loaded import LoadedFile
from dosewright.gen.models.machine import MachineFile
from dosewright.gen.source import Source, near, shown


def check_loaded(source: Source[LoadedFile], loaded: LoadedFile, machine: Source[MachineFile]) -> None:
    """Channels that do not exist, reservoirs that cannot hold so much."""
    known = machine.names("channel")
    for name, stock in loaded.channels.items():
        _check_channel(source, (name,), known)
        channel = machine.model.channel.get(name) if machine.model else None
        if (
            channel
            and channel.reservoir is not None
            and stock.left is not None
            and stock.left > channel.reservoir
        ):
            source.report(
                (name, "left"),
                f"{units.ml(stock.left)} left",
                f"at most the reservoir, {units.ml(channel.reservoir)}",
                "correct it here, or the reservoir in machine.toml",
            )


def check_calibration(
    source: Source[CalibrationFile], calibration: CalibrationFile, machine: Source[MachineFile]
) -> None:
    """Channels that do not exist, rates that cannot be."""
    known = machine.names("channel")
    for name, measured in calibration.channel.items():
        _check_channel(source, ("channel", name), known)
        if machine.model is None or name not in machine.model.channel:
            continue
        slowest, fastest = machine.model.channel[name].plausible_rate
        if not slowest <= measured.rate <= fastest:
            source.report(
                ("channel", name, "rate"),
                units.ml_per_min(measured.rate),
                f"{units.ml_per_min(slowest)} to {units.ml_per_min(fastest)}, its plausible_rate",
                "look for a slip (seconds for minutes, another channel), or widen plausible_rate",
            )


def _check_channel(
    source: Source[LoadedFile] | Source[CalibrationFile], path: tuple[str, ...], known: list[str]
) -> None:
    """That the channel which a path ends with exists.

    Where machine.toml names none, that is its own mistake, and not one of every line here.
    """
    if known and path[-1] not in known:
        found, remedy = f"the channel {shown(path[-1])}", near(path[-1], known, "take it out")
        source.report(path, found, "a channel of machine.toml", remedy, at_key=True)
