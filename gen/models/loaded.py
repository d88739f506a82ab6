"""loaded.toml: which liquid sits on which channel, and how much is left."""

from __future__ import annotations

from pydantic import ConfigDict

from dosewright.gen.models.base import FluidOunce, Name, NoPercent, NoVolume, Table, needed, setting


class Loaded(Table):
    """The liquid on one channel."""

    liquid: Name = needed("The liquid, as recipes call it.", "lime juice")
    left: NoVolume | None = setting(
        None, "How much is left. A plain number is ml.", "not known: then it is not checked"
    )
    allergens: list[Name] | None = setting(
        None,
        "Allergens it contains; an empty list says there are none.",
        "not known, which is not the same as none",
    )
    abv: NoPercent | None = setting(
        None, "Alcohol by volume. A plain number is percent.", "not known: nothing is said about alcohol"
    )


class LoadedFile(Table):
    """What is loaded: one table a channel, by the channel's name."""

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[Name, Loaded]

    fluid_ounce: FluidOunce | None = setting(
        None,
        'What a bare "fl oz", gill, pint, quart or gallon means in this file: "us" or "imperial".',
        "nothing is assumed: the two differ by four percent",
    )

    @property
    def channels(self) -> dict[str, Loaded]:
        """What is loaded, by channel."""
        return self.__pydantic_extra__
