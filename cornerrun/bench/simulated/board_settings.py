"""The section ``board`` of a simulation file: what works when, and how the board itself lives."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from cornerrun.plan.fields import Degrees, FileModel, Hertz, Name, Ratio, Seconds, Volts, Whole, refusal

__all__ = [
    "JUNCTION",
    "BoardCheck",
    "BoardSettings",
    "BootSettings",
    "ConsoleSettings",
    "Edge",
    "FrequencyEdge",
    "FrequencyShift",
    "Hang",
    "HeatingSettings",
    "Intermittent",
    "OverStress",
    "TemperatureEdge",
    "Threshold",
]

JUNCTION = "junction"
"""The condition by which a threshold means the temperature of the board's own silicon; see ``heating``."""

ZeroOrMoreSeconds = Annotated[Seconds, Field(ge=0)]
PositiveSeconds = Annotated[Seconds, Field(gt=0)]
Share = Annotated[Ratio, Field(ge=0, le=1)]


class Edge(FileModel):
    """A voltage that is crossed where ``rail``, less shares of others, lies ``below`` or ``above`` it."""

    rail: Name
    minus: dict[Name, Ratio] = Field(default_factory=dict)
    below: Volts | None = None
    above: Volts | None = None

    @model_validator(mode="after")
    def _has_one_side(self) -> Self:
        if (self.below is None) == (self.above is None):
            raise refusal("a threshold has one side", "give either 'below' or 'above'")
        return self


class FrequencyShift(FileModel):
    """How far an edge moves inward with a clock: by ``voltage`` for each ``per`` that it runs above ``at``."""

    voltage: Volts
    per: Annotated[Hertz, Field(gt=0)]
    at: Hertz
    condition: Name = "clock"


class Threshold(Edge):
    """One edge of a function: it fails where ``rail``, less shares of others, lies ``below`` or ``above`` a voltage.

    With ``minus`` the edge belongs to a combination of rails: ``rail - share * other`` falls short only where both
    lean the wrong way. ``spread`` is the standard deviation of the edge from trial to trial, so that failures close to
    it are probable, not certain; ``unit_spread`` that from unit to unit. The edge moves by ``per_kelvin`` with the
    condition named ``condition``, counted from ``at``; "junction" is the board's own temperature. Once crossed, the
    edge lies further in by ``hysteresis`` until the rails have come back beyond that.
    """

    spread: Annotated[Volts, Field(gt=0)]
    unit_spread: Annotated[Volts, Field(ge=0)] = 0.0
    per_kelvin: Volts = 0.0
    condition: Name = "ambient"
    at: Degrees = 25.0
    frequency: FrequencyShift | None = None
    hysteresis: Annotated[Volts, Field(ge=0)] = 0.0


class TemperatureEdge(FileModel):
    """A function that fails beyond a temperature, whatever the rails do; the condition may be "junction"."""

    below: Degrees | None = None
    above: Degrees | None = None
    spread: Annotated[Degrees, Field(gt=0)]
    condition: Name = "ambient"

    @model_validator(mode="after")
    def _has_one_side(self) -> Self:
        if (self.below is None) == (self.above is None):
            raise refusal("a threshold has one side", "give either 'below' or 'above'")
        return self


class FrequencyEdge(FileModel):
    """A function that fails beyond a frequency, whatever the rails do."""

    below: Hertz | None = None
    above: Hertz | None = None
    spread: Annotated[Hertz, Field(gt=0)]
    condition: Name = "clock"

    @model_validator(mode="after")
    def _has_one_side(self) -> Self:
        if (self.below is None) == (self.above is None):
            raise refusal("a threshold has one side", "give either 'below' or 'above'")
        return self


class Intermittent(FileModel):
    """A function that fails now and then at any voltage: a share of trials, in bursts of so many one after another."""

    rate: Share
    burst: Annotated[Whole, Field(ge=1)] = 1


class BoardCheck(FileModel):
    """A function of the board, by the name of the check that exercises it; it works where no threshold is crossed.

    ``heat`` is how far the check warms the board while it runs, once that has settled; it needs ``heating``.
    """

    thresholds: tuple[Threshold, ...] = ()
    temperatures: tuple[TemperatureEdge, ...] = ()
    frequencies: tuple[FrequencyEdge, ...] = ()
    intermittent: Intermittent | None = None
    heat: Degrees = 0.0

    @model_validator(mode="after")
    def _can_fail(self) -> Self:
        if not (self.thresholds or self.temperatures or self.frequencies or self.intermittent):
            raise refusal(
                "a check that nothing can fail", "give 'thresholds', 'temperatures', 'frequencies' or 'intermittent'"
            )
        return self


class BootSettings(FileModel):
    """How the board comes up: once every rail of ``needs`` is at its voltage, after ``time``; without them it is off.

    ``spread`` is the standard deviation of that time as a share of it, ``fails`` the chance that a start hangs.
    ``hysteresis`` is how far a rail must rise above the voltage at which it was lost. A board that ``starts`` "up" has
    booted before the bench begins. Where ``needs`` is empty, every rail that a manager makes is needed at 80 % of
    nominal (chosen).
    """

    time: ZeroOrMoreSeconds
    needs: dict[Name, Volts] = Field(default_factory=dict)
    spread: Annotated[Ratio, Field(ge=0, lt=0.3)] = 0.0
    fails: Share = 0.0
    hysteresis: Annotated[Volts, Field(ge=0)] = 0.01
    starts: Annotated[str, Field(pattern="^(up|off)$")] = "up"


class Hang(FileModel):
    """How the board hangs: beyond an edge, or anywhere if none is given, after a time drawn with the mean ``after``.

    It then answers nothing until its rails have been off, or until ``watchdog`` has started it again.
    """

    edge: Edge | None = None
    after: PositiveSeconds
    watchdog: PositiveSeconds | None = None


class ConsoleSettings(FileModel):
    """The board's text console: what it says once it is up, and beyond which edges nobody hears it or is heard."""

    banner: tuple[Annotated[str, Field(max_length=200, pattern=r"^[ -~]*$")], ...] = ("ready",)
    lost: tuple[Edge, ...] = ()
    latency: ZeroOrMoreSeconds = 0.01


class HeatingSettings(FileModel):
    """How the board's silicon warms up: ``rise`` above ambient at the power of nominal, with a time constant.

    The rise follows the power of all rails, which goes with the square of voltage, and what checks add to it.
    """

    rise: Annotated[Degrees, Field(ge=0)]
    time_constant: PositiveSeconds = 60.0


class OverStress(FileModel):
    """Damage for good: time spent above a voltage moves the edges of ``checks`` inward, in the end by ``shift``.

    ``after`` is the time constant, counted in time above the voltage.
    """

    rail: Name
    above: Volts
    shift: Annotated[Volts, Field(gt=0)]
    after: PositiveSeconds
    checks: Annotated[tuple[Name, ...], Field(min_length=1)]


class BoardSettings(FileModel):
    """What works when, and how the board itself lives: the section ``board`` of a simulation file."""

    checks: dict[Name, BoardCheck] = Field(default_factory=dict)
    boot: BootSettings | None = None
    hangs: tuple[Hang, ...] = ()
    console: ConsoleSettings | None = None
    heating: HeatingSettings | None = None
    overstress: tuple[OverStress, ...] = ()
