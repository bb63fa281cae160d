"""What may disturb a rail, as sections of the simulation file; all of it is absent unless written."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from cornerrun.bench.simulated.quantities import (
    PositiveHertz,
    PositiveSeconds,
    PositiveVolts,
    Share,
    ZeroOrMoreSeconds,
    ZeroOrMoreVolts,
)
from cornerrun.plan.fields import Amperes, FileModel, Name, Number, Seconds, Volts, refusal

__all__ = [
    "INPUT",
    "DriftSettings",
    "LoadStep",
    "RingingSettings",
    "RippleSettings",
    "ServoSettings",
    "UpstreamSettings",
]

# Shorter ones would keep a simulated bench busy with nothing else (chosen).
Period = Annotated[Seconds, Field(ge=1e-4)]

INPUT = "input"
"""The name by which `upstream` and `supply` mean the supply that feeds the whole board."""


class RingingSettings(FileModel):
    """A second-order response in place of the first-order one.

    The output follows its reference as v" + 2 damping w v' + w^2 v = w^2 reference, w being 2 pi natural_frequency; the
    reference runs at the slew limit. Below a damping of 1 it overshoots, by exp(-pi d / sqrt(1 - d^2)) after a step.
    """

    natural_frequency: PositiveHertz
    damping: Annotated[Number, Field(ge=0.01, le=100)]


class ServoSettings(FileModel):
    """A closed-loop trim: every ``period`` the device moves its output one ``step`` towards where its ADC reads right.

    ``begins`` "setpoint": the output first goes to the setpoint by itself, and the loop takes away what is left of the
    errors. "nominal": the loop alone carries the output from nominal to its setpoint, step by step, which can take
    seconds. ``range`` is how far it can trim either way; None is as far as it takes.
    """

    step: PositiveVolts
    period: Period = 0.1
    range: PositiveVolts | None = None
    begins: Literal["setpoint", "nominal"] = "setpoint"


class RippleSettings(FileModel):
    """Ripple, peak to peak: comparators see all of it, an ADC an instant of it, a meter what its aperture leaves."""

    amplitude: ZeroOrMoreVolts
    frequency: PositiveHertz = 500e3


class LoadStep(FileModel):
    """A change of the load current: while ``check`` runs, or ``at`` a time, again ``every`` so often.

    ``lasts`` is how long it lasts where it does not depend on a check; None is for good. ``rise`` is the time constant
    with which the current changes.
    """

    current: Amperes
    check: Name | None = None
    at: ZeroOrMoreSeconds | None = None
    every: Period | None = None
    lasts: PositiveSeconds | None = None
    rise: ZeroOrMoreSeconds = 0.0

    @model_validator(mode="after")
    def _has_one_cause(self) -> Self:
        if (self.check is None) == (self.at is None):
            raise refusal("a load step has one cause", "give either 'check' or 'at'")
        if self.check is not None and (self.every or self.lasts):
            raise refusal("a load step of a check lasts as long as the check", "leave out 'every' and 'lasts'")
        if self.every is not None and (self.lasts is None or self.lasts >= self.every):
            raise refusal("load steps that come again must end before", "give 'lasts', shorter than 'every'")
        return self


class DriftSettings(FileModel):
    """A slow change of the output, counted from power-up.

    ``shape`` "linear": ``amount`` every ``over``, on and on. "settling": towards ``amount``, with the time constant
    ``over``, as warming up does. "wander": to and fro without end, ``amount`` being one standard deviation and ``over``
    the time in which it goes about once.
    """

    amount: Volts
    over: PositiveSeconds
    shape: Literal["linear", "settling", "wander"] = "linear"


class UpstreamSettings(FileModel):
    """What feeds a rail: it can't rise above a share of that, less what the regulator needs for itself.

    ``rail`` is another rail, or "input" for the board's supply. The output is at most ``duty`` times that voltage less
    ``dropout``; below ``lockout`` it is off.
    """

    rail: Name
    dropout: ZeroOrMoreVolts = 0.0
    duty: Share = 1.0
    lockout: ZeroOrMoreVolts | None = None
