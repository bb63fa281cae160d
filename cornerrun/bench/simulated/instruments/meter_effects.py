"""What else makes a meter wrong: relays that settle, heat and wear, hum of another line, drift, ranges, age."""

import math
from datetime import date
from typing import Annotated, Protocol

from pydantic import Field

from cornerrun.bench.simulated.draws import uniform
from cornerrun.plan.fields import Day, FileModel, Hertz, Ratio, Seconds, Volts, Whole

__all__ = ["EffectSettings", "MeterEffects", "Sampled", "averaged_sine"]

PositiveSeconds = Annotated[Seconds, Field(gt=0)]
ZeroOrMoreVolts = Annotated[Volts, Field(ge=0)]
_DAYS_OF_A_YEAR = 365.25


class PickUp(FileModel):
    """A sine on every input, such as ripple: its amplitude (half of peak to peak) and its frequency."""

    amplitude: ZeroOrMoreVolts
    frequency: Annotated[Hertz, Field(gt=0)]


class Wear(FileModel):
    """Relays that wear: past ``life`` closures each further one fails to make contact with a chance of ``failures``.

    ``closures`` is how many each has behind it already.
    """

    life: Annotated[Whole, Field(ge=0)]
    closures: Annotated[Whole, Field(ge=0)] = 0
    failures: Annotated[Ratio, Field(ge=0, le=1)] = 0.01


class CoilHeating(FileModel):
    """The thermal voltage that grows while a relay is held closed: where it ends, and how fast."""

    voltage: Volts
    time_constant: PositiveSeconds = 60.0


class Drift(FileModel):
    """An error that grows toward ``size`` since the zero was last taken; each autozero starts it anew."""

    size: Volts
    time_constant: PositiveSeconds = 600.0


class WarmUp(FileModel):
    """A gain error that is there at power-on and goes as the meter warms up."""

    gain_error: Ratio
    time_constant: PositiveSeconds = 1200.0


class RangeErrors(FileModel):
    """What a range adds to gain error and offset of the meter."""

    range: Annotated[Volts, Field(gt=0)]
    gain_error: Ratio = 0.0
    offset: Volts = 0.0


class Calibration(FileModel):
    """When the meter was calibrated and is due again, and how far its gain drifts in a year."""

    date: Day
    due: Day | None = None
    drift: Ratio = 0.0


class EffectSettings(FileModel):
    """The section ``effects`` of a simulated meter: all off unless asked for.

    ``mains`` is the frequency of the hum where it is not the line frequency that the meter believes in. ``pickup``
    lists other sines. ``settling`` is the time constant at which an input follows after its relay has closed.
    ``range_change`` is what a change of range takes.
    """

    mains: Annotated[Hertz, Field(gt=0)] | None = None
    pickup: tuple[PickUp, ...] = ()
    settling: PositiveSeconds | None = None
    coil_heating: CoilHeating | None = None
    wear: Wear | None = None
    zero_drift: Drift | None = None
    warm_up: WarmUp | None = None
    ranges: tuple[RangeErrors, ...] = ()
    range_change: Annotated[Seconds, Field(ge=0)] = 0.0
    calibration: Calibration | None = None


class Sampled(Protocol):
    """One reading: its channel, when its relay closed, when its aperture opened and for how long."""

    @property
    def channel(self) -> int:
        """Which input; 0 is the meter's own."""
        ...

    @property
    def closed_s(self) -> float:
        """When its relay closed."""
        ...

    @property
    def start_s(self) -> float:
        """When its aperture opened."""
        ...

    @property
    def aperture_s(self) -> float:
        """How long it was open."""
        ...

    @property
    def is_zeroed(self) -> bool:
        """Whether an autozero belongs to it."""
        ...

    @property
    def makes_contact(self) -> bool:
        """Whether its relay did."""
        ...


def averaged_sine(cycles: float, phase: float) -> float:
    """Average a sine of amplitude 1 over a number of its periods; ``phase`` is that of the middle, in periods.

    sin(pi n) / (pi n): whole periods leave nothing (the transform of a rectangular window).
    """
    angle = math.pi * cycles
    return math.sin(angle) / angle * math.sin(2.0 * math.pi * phase)


class MeterEffects:
    """Works the effects out, sample by sample, in the order in which they were taken."""

    def __init__(self, settings: EffectSettings, *, seed: int, start_s: float, today: date) -> None:
        self.settings = settings
        self.closures: dict[int, int] = {}
        self._seed = seed
        self._start_s = start_s
        self._zeroed_s = start_s
        self._held_v = 0.0
        self._ranges = {item.range: item for item in settings.ranges}
        self._aged_ratio = 0.0
        calibration = settings.calibration
        self.is_overdue = calibration is not None and calibration.due is not None and today > calibration.due
        if calibration is not None:
            self._aged_ratio = calibration.drift * (today - calibration.date).days / _DAYS_OF_A_YEAR

    def restart(self, now_s: float) -> None:
        """Begin anew after a loss of supply: cold, zero taken; relays keep their wear."""
        self._start_s = self._zeroed_s = now_s
        self._held_v = 0.0

    def zero(self, now_s: float) -> None:
        """Take the zero once."""
        self._zeroed_s = now_s

    def close(self, channel: int) -> bool:
        """Count a closure of a relay; False if it made no contact."""
        wear = self.settings.wear
        count = self.count(channel) + 1
        self.closures[channel] = count
        if wear is None or count <= wear.life:
            return True
        return uniform("contact", self._seed, channel, count) >= wear.failures

    def count(self, channel: int) -> int:
        """Tell how often a relay has closed."""
        wear = self.settings.wear
        return self.closures.get(channel, wear.closures if wear is not None else 0)

    def seen_v(self, sample: Sampled, input_v: float) -> float:
        """Tell the mean voltage behind the relay during the aperture, and remember what it leaves there."""
        tau_s = self.settings.settling
        end_v = input_v if sample.makes_contact else 0.0
        if tau_s is None:
            seen_v, self._held_v = end_v, end_v
        else:
            # Mean of V + (V0 - V) exp(-t / tau) over the aperture.
            left = math.exp(-max(0.0, sample.start_s - sample.closed_s) / tau_s)
            decay = math.exp(-sample.aperture_s / tau_s)
            step_v = self._held_v - end_v
            seen_v = end_v + step_v * left * (1.0 - decay) * tau_s / sample.aperture_s
            self._held_v = end_v + step_v * left * decay
        heating = self.settings.coil_heating
        if heating is not None and sample.channel:
            closed_for_s = sample.start_s + sample.aperture_s / 2.0 - sample.closed_s
            seen_v += heating.voltage * -math.expm1(-max(0.0, closed_for_s) / heating.time_constant)
        return seen_v

    def pick_up_v(self, sample: Sampled, index: int) -> float:
        """Tell what an aperture leaves of all sines."""
        return sum(
            sine.amplitude
            * averaged_sine(
                sine.frequency * sample.aperture_s, uniform("pickup", self._seed, sample.channel, index, place)
            )
            for place, sine in enumerate(self.settings.pickup)
        )

    def gain_error_ratio(self, sample: Sampled, range_v: float) -> float:
        """Tell what range, age and cold add to the gain error."""
        ratio = self._aged_ratio
        warm_up = self.settings.warm_up
        if warm_up is not None:
            ratio += warm_up.gain_error * math.exp(-(sample.start_s - self._start_s) / warm_up.time_constant)
        own = self._ranges.get(range_v)
        return ratio + own.gain_error if own is not None else ratio

    def offset_v(self, sample: Sampled, range_v: float) -> float:
        """Tell what range and drift add to the offset; an autozero takes the drift away."""
        own = self._ranges.get(range_v)
        offset_v = own.offset if own is not None else 0.0
        drift = self.settings.zero_drift
        if drift is None:
            return offset_v
        if sample.is_zeroed:
            self._zeroed_s = sample.start_s + sample.aperture_s
            return offset_v
        return offset_v + drift.size * -math.expm1(-max(0.0, sample.start_s - self._zeroed_s) / drift.time_constant)
