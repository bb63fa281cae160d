"""The section ``population`` of a simulation file: how the boards of a lot differ from each other."""

from typing import Annotated, Literal

from pydantic import Field

from cornerrun.plan.fields import FileModel, Name, Ratio, Volts, Whole

__all__ = ["Deviation", "PopulationSection", "PopulationSettings", "Weakness"]

Share = Annotated[Ratio, Field(ge=0, le=1)]
ZeroOrMoreVolts = Annotated[Volts, Field(ge=0)]
ZeroOrMoreRatio = Annotated[Ratio, Field(ge=0)]


class Deviation(FileModel):
    """How far units lie from the typical one, as standard deviations: of the trim, and of the manager's own ADC."""

    gain_error: ZeroOrMoreRatio = 0.0
    offset_error: ZeroOrMoreVolts = 0.0
    adc_gain_error: ZeroOrMoreRatio = 0.0
    adc_offset_error: ZeroOrMoreVolts = 0.0


class RailWeakness(FileModel):
    """What is wrong with a rail of a weak unit: added to its trim errors and to its load, a share of which it is."""

    gain_error: Ratio = 0.0
    offset_error: Volts = 0.0
    load: Annotated[Ratio, Field(ge=-1)] = 0.0


class Weakness(FileModel):
    """A kind of weak unit: which units are, and what is wrong with them.

    A unit is by chance, with ``share``, or because its serial number is among ``serials``. ``thresholds`` moves all
    voltage edges of a check inward, ``intermittent`` is the share of trials that fail at any voltage. Planted faults
    that say ``only_on`` this kind happen to such units and to no others.
    """

    share: Share = 0.0
    serials: tuple[Name, ...] = ()
    rails: dict[Name, RailWeakness] = Field(default_factory=dict)
    thresholds: dict[Name, Volts] = Field(default_factory=dict)
    intermittent: dict[Name, Share] = Field(default_factory=dict)


class PopulationSettings(FileModel):
    """A lot of boards: the same serial number is always the same board.

    ``lot`` is the seed of all draws, whatever the seed of a run. ``every_rail`` holds for rails that ``rails`` does not
    name; ``thresholds`` is the standard deviation of the edges of a check, all of them together, beside each
    threshold's own ``unit_spread``. A "uniform" distribution reaches the square root of 3 standard deviations.
    """

    lot: Annotated[Whole, Field(ge=0)] = 0
    distribution: Literal["normal", "uniform"] = "normal"
    every_rail: Deviation = Deviation()
    rails: dict[Name, Deviation] = Field(default_factory=dict)
    thresholds: dict[Name, ZeroOrMoreVolts] = Field(default_factory=dict)
    weak: dict[Name, Weakness] = Field(default_factory=dict)


class PopulationSection(FileModel):
    """The place of the section."""

    population: PopulationSettings | None = None
